package cluster

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// Free space that must be there before anything is written. A new cluster with
// its databases takes about 90 MB with the first segments of the write-ahead log.
const (
	spaceToCreate = 512 << 20 // bytes
	spaceToStart  = 64 << 20  // bytes: a few segments of 16 MB
)

// prepareFolder creates the folder if needed, checks that it is ours and can be
// written, and returns its real path.
func prepareFolder(folder string, who account) (string, error) {
	absolute, err := filepath.Abs(folder)
	if err != nil {
		return "", fmt.Errorf("cluster: %w", err)
	}
	mode := fs.FileMode(0o700)
	if who.switched {
		mode = 0o711 // the account must get through to its own sub-folders, and may list nothing
	}
	if err := os.MkdirAll(absolute, mode); err != nil {
		return "", folderError(absolute, err)
	}
	// Two names for one folder must find the same socket.
	resolved, err := filepath.EvalSymlinks(absolute)
	if err != nil {
		return "", folderError(absolute, err)
	}
	info, err := os.Stat(resolved)
	if err != nil {
		return "", folderError(resolved, err)
	}
	if err := checkOwner(resolved, info, os.Geteuid()); err != nil {
		return "", err
	}
	if info.Mode().Perm()&0o002 != 0 {
		return "", &FolderError{Folder: resolved, Rule: "must not be writable by everybody (`chmod o-w` on it)"}
	}
	if err := checkWritable(resolved); err != nil {
		return "", err
	}
	return resolved, checkSpace(resolved)
}

func checkOwner(path string, info fs.FileInfo, uid int) error {
	if owner := int(info.Sys().(*syscall.Stat_t).Uid); owner != uid {
		return &FolderError{Folder: path, Rule: fmt.Sprintf("must belong to the user with id %d, but belongs to %d", uid, owner)}
	}
	return nil
}

// checkWritable really writes, since permissions say nothing about read-only
// file systems, quotas and full disks.
func checkWritable(folder string) error {
	probe, err := os.CreateTemp(folder, ".probe-*")
	if err != nil {
		return folderError(folder, err)
	}
	_, err = probe.Write(make([]byte, 8192))
	err = errors.Join(err, probe.Sync(), probe.Close(), os.Remove(probe.Name()))
	if err != nil {
		return folderError(folder, err)
	}
	return nil
}

func checkSpace(folder string) error {
	var disk syscall.Statfs_t
	if err := syscall.Statfs(folder, &disk); err != nil {
		return folderError(folder, err)
	}
	version, err := dataVersion(dataFolder(folder))
	if err != nil {
		return err
	}
	needed := uint64(spaceToStart)
	if version == "" {
		needed = spaceToCreate
	}
	free := disk.Bavail * uint64(disk.Bsize)
	if free < needed {
		return &FolderError{Folder: folder, Rule: fmt.Sprintf("needs %d MB of free space, but %d MB are left", needed>>20, free>>20)}
	}
	return nil
}

// giveTo makes a sub-folder of the cluster, for the account alone. What is in
// it is handed over too if it belongs to somebody else, as after restoring a
// backup as root.
func giveTo(who account, path string) error {
	if err := os.Mkdir(path, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return folderError(path, err)
	}
	info, err := os.Lstat(path)
	if err != nil {
		return folderError(path, err)
	}
	if !info.IsDir() {
		return &FolderError{Folder: path, Rule: "must be a folder, not a file or a link"}
	}
	if !who.switched {
		return checkOwner(path, info, who.uid)
	}
	if checkOwner(path, info, who.uid) == nil {
		return nil
	}
	if err := handOver(who, path); err != nil {
		return folderError(path, err)
	}
	return nil
}

// handOver changes the owner of a tree. It works on handles and never follows a
// link, so that nothing outside can change hands.
func handOver(who account, path string) error {
	root, err := os.OpenRoot(path)
	if err != nil {
		return err
	}
	defer func() { _ = root.Close() }()
	err = fs.WalkDir(root.FS(), ".", func(name string, _ fs.DirEntry, err error) error {
		if err != nil || name == "." {
			return err
		}
		return root.Lchown(name, who.uid, who.gid)
	})
	if err != nil {
		return err
	}
	// The top comes last: its owner tells the next start that all is done.
	return root.Lchown(".", who.uid, who.gid)
}

// folderLock is held while a server uses the folder. The kernel drops it when
// the process ends in any way, and our children do not inherit it.
type folderLock struct{ file *os.File }

func lockFolder(folder string) (*folderLock, error) {
	file, err := os.OpenFile(filepath.Join(folder, "lock"), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, folderError(folder, err)
	}
	err = syscall.Flock(int(file.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		defer func() { _ = file.Close() }()
		return nil, &LockedError{Folder: folder, PID: readPID(file)}
	}
	if err == nil {
		err = file.Truncate(0)
	}
	if err == nil {
		_, err = file.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
	}
	if err != nil {
		return nil, errors.Join(folderError(folder, err), file.Close())
	}
	return &folderLock{file}, nil
}

// release frees the folder. The file stays: removing it would let two servers
// lock two different files of the same name.
func (l *folderLock) release() error {
	return errors.Join(l.file.Truncate(0), l.file.Close())
}

// readPID reads the number on the first line, 0 if there is none.
func readPID(from io.Reader) int {
	text, err := io.ReadAll(io.LimitReader(from, 4096))
	if err != nil {
		return 0
	}
	first, _, _ := strings.Cut(string(text), "\n")
	pid, err := strconv.Atoi(strings.TrimSpace(first))
	if err != nil || pid < 0 {
		return 0
	}
	return pid
}
