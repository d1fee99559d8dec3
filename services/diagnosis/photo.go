package diagnosis

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"time"

	"velamen/internal/fault"
)

// maxPhoto is the size of the largest photo, in bytes.
const maxPhoto = 20 << 20

// mediaTypes are those that every browser shows.
var mediaTypes = []string{"image/jpeg", "image/png", "image/webp"}

// sniffed is how many bytes decide the media type, the most that
// http.DetectContentType looks at.
const sniffed = 512

// photo is a picture of an inspection.
type photo struct {
	SHA256     string    `json:"sha256"`
	MediaType  string    `json:"media_type"`
	SizeBytes  int64     `json:"size_bytes"`
	CreateTime time.Time `json:"create_time"`
}

// album keeps the photos of all nurseries as files, each under the hash of its
// bytes: FOLDER/NURSERY/FIRST TWO DIGITS/SHA-256.
type album struct {
	folder string
}

func (a album) path(nursery, sha string) string {
	return filepath.Join(a.folder, nursery, sha[:2], sha)
}

// incoming is a photo whose bytes are arriving. Nobody sees it before keep.
type incoming struct {
	album   album
	nursery string
	file    *os.File
	sum     hash.Hash
	head    []byte
	size    int64
}

// begin opens a file for the bytes; the caller drops it when done.
func (a album) begin(nursery string) (*incoming, error) {
	folder := filepath.Join(a.folder, nursery)
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return nil, unwritable(err)
	}
	file, err := os.CreateTemp(folder, ".arriving-*")
	if err != nil {
		return nil, unwritable(err)
	}
	return &incoming{album: a, nursery: nursery, file: file, sum: sha256.New()}, nil
}

// add takes the next bytes and refuses more than maxPhoto.
func (i *incoming) add(data []byte) error {
	i.size += int64(len(data))
	if i.size > maxPhoto {
		return fault.Field("data", "the photo is larger than %d bytes", maxPhoto).With("limit_bytes", fmt.Sprint(maxPhoto))
	}
	if missing := sniffed - len(i.head); missing > 0 {
		i.head = append(i.head, data[:min(missing, len(data))]...)
	}
	i.sum.Write(data) // a hash never fails
	if _, err := i.file.Write(data); err != nil {
		return unwritable(err)
	}
	return nil
}

// keep puts the photo in its place, so that it survives a power cut once keep
// has returned. The same bytes replace each other, which also mends a damaged file.
func (i *incoming) keep() (photo, error) {
	if i.size == 0 {
		return photo{}, fault.Field("data", "the photo has no bytes")
	}
	kind := http.DetectContentType(i.head)
	if !slices.Contains(mediaTypes, kind) {
		return photo{}, fault.Field("data", "the bytes are no JPEG, PNG or WebP image").With("media_type", kind)
	}
	kept := photo{SHA256: hex.EncodeToString(i.sum.Sum(nil)), MediaType: kind, SizeBytes: i.size}
	return kept, i.place(i.album.path(i.nursery, kept.SHA256))
}

func (i *incoming) place(path string) error {
	folder := filepath.Dir(path)
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return unwritable(err)
	}
	if err := i.file.Sync(); err != nil {
		return unwritable(err)
	}
	if err := os.Rename(i.file.Name(), path); err != nil {
		return unwritable(err)
	}
	// The folders above may be new as well.
	for _, changed := range []string{folder, filepath.Dir(folder), i.album.folder} {
		if err := syncFolder(changed); err != nil {
			return unwritable(err)
		}
	}
	return nil
}

// drop closes the file, and removes it unless it was kept.
func (i *incoming) drop() error {
	removal := os.Remove(i.file.Name())
	if errors.Is(removal, os.ErrNotExist) {
		removal = nil
	}
	return errors.Join(i.file.Close(), removal)
}

func syncFolder(path string) error {
	folder, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(folder.Sync(), folder.Close())
}

// open returns a photo's file, after reading all of it against its hash. The
// caller closes it.
func (a album) open(nursery, name, sha string) (*os.File, error) {
	file, err := os.Open(a.path(nursery, sha))
	if errors.Is(err, os.ErrNotExist) {
		return nil, lost(name, "is missing from the photo folder").Because(err)
	}
	if err != nil {
		return nil, lost(name, "cannot be read").Because(err)
	}
	if err := verify(file, name, sha); err != nil {
		return nil, errors.Join(err, file.Close())
	}
	return file, nil
}

func verify(file *os.File, name, sha string) error {
	sum := sha256.New()
	if _, err := io.Copy(sum, file); err != nil {
		return lost(name, "cannot be read").Because(err)
	}
	if hex.EncodeToString(sum.Sum(nil)) != sha {
		return lost(name, "is damaged")
	}
	if _, err := file.Seek(0, io.SeekStart); err != nil {
		return lost(name, "cannot be read").Because(err)
	}
	return nil
}

func unwritable(err error) error {
	return fault.New(fault.Unavailable, fault.StoreUnavailable, "the photo folder cannot be written; nothing was changed").Because(err)
}

func lost(name, what string) *fault.Fault {
	return fault.New(fault.Unavailable, fault.StoreUnavailable, "the file of %s %s; restore it from a backup or upload the photo again", name, what).
		With("name", name)
}
