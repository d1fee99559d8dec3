package knowledge

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io/fs"
	"sync"
)

// version is a hash of the embedded files.
var version = sync.OnceValue(func() string {
	text, err := versionOf(files)
	if err != nil {
		panic(err)
	}
	return text
})

// Version names the shipped knowledge: the SHA-256 in hexadecimal of its files, so
// that an assessment says for ever what it was made with.
func Version() string { return version() }

// versionOf hashes names, sizes and contents of all files in the order of their
// names.
func versionOf(folder fs.FS) (string, error) {
	sum := sha256.New()
	err := fs.WalkDir(folder, ".", func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		content, err := fs.ReadFile(folder, path)
		if err != nil {
			return err
		}
		sum.Write(fmt.Appendf(nil, "%q %d\n", path, len(content))) // a hash never fails
		sum.Write(content)
		return nil
	})
	return hex.EncodeToString(sum.Sum(nil)), err
}
