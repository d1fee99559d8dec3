package diagnosis

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"image/jpeg"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/services/diagnosis/picture"
)

// maxPhoto is the size of the largest photo, in bytes.
const maxPhoto = 20 << 20

// photo is a picture of an inspection.
type photo struct {
	SHA256    string `json:"sha256"`
	MediaType string `json:"media_type"`
	SizeBytes int64  `json:"size_bytes"`
	// Width and Height in pixels as it is shown; 0 when it was kept before they were.
	Width      int       `json:"width"`
	Height     int       `json:"height"`
	CreateTime time.Time `json:"create_time"`
	// Shows are the signs of the inspection that it shows.
	Shows []photoSign `json:"shows"`
}

// photoSign is a sign that a photo shows, as it is stored.
type photoSign struct {
	Organ string `json:"organ"`
	Sign  string `json:"sign"`
}

// album keeps the photos of all nurseries as files, each under the hash of its
// bytes: FOLDER/NURSERY/FIRST TWO DIGITS/SHA-256, and its thumbnail beside it.
type album struct {
	folder string
	clock  clock.Clock
	// darkroom has room for one photo at a time: a progressive JPEG of the largest
	// size takes about 750 MB to decode.
	darkroom chan struct{}
}

func newAlbum(folder string, c clock.Clock) album {
	return album{folder: folder, clock: c, darkroom: make(chan struct{}, 1)}
}

func (a album) path(nursery, sha string) string {
	return filepath.Join(a.folder, nursery, sha[:2], sha)
}

func (a album) thumbnailPath(nursery, sha string) string { return a.path(nursery, sha) + ".thumbnail" }

const (
	arrivingPrefix = ".arriving-"
	// abandonedAfter is how old a file that is still arriving must be before it counts
	// as left behind by a broken upload. No upload takes a day. Common practice, no
	// source.
	abandonedAfter = 24 * time.Hour
)

// create opens a file that nobody sees before place, and removes those that broken
// uploads have left.
func (a album) create(nursery string) (*os.File, error) {
	folder := filepath.Join(a.folder, nursery)
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return nil, unwritable(err)
	}
	if err := a.sweep(folder); err != nil {
		return nil, unwritable(err)
	}
	file, err := os.CreateTemp(folder, arrivingPrefix+"*")
	if err != nil {
		return nil, unwritable(err)
	}
	return file, nil
}

func (a album) sweep(folder string) error {
	entries, err := os.ReadDir(folder)
	if err != nil {
		return err
	}
	for _, entry := range entries {
		if !strings.HasPrefix(entry.Name(), arrivingPrefix) {
			continue
		}
		info, err := entry.Info()
		if errors.Is(err, os.ErrNotExist) {
			continue // it arrived meanwhile
		}
		if err != nil {
			return err
		}
		if a.clock.Now().Sub(info.ModTime()) < abandonedAfter {
			continue
		}
		if err := os.Remove(filepath.Join(folder, entry.Name())); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
	}
	return nil
}

// incoming is a photo whose bytes are arriving. Nobody sees it before keep.
type incoming struct {
	album   album
	nursery string
	file    *os.File
	size    int64
}

// begin opens a file for the bytes; the caller drops it when done.
func (a album) begin(nursery string) (*incoming, error) {
	file, err := a.create(nursery)
	if err != nil {
		return nil, err
	}
	return &incoming{album: a, nursery: nursery, file: file}, nil
}

// add takes the next bytes and refuses more than maxPhoto.
func (i *incoming) add(data []byte) error {
	i.size += int64(len(data))
	if i.size > maxPhoto {
		return fault.Field("data", "the photo is larger than %d bytes", maxPhoto).With("limit_bytes", fmt.Sprint(maxPhoto))
	}
	if _, err := i.file.Write(data); err != nil {
		return unwritable(err)
	}
	return nil
}

// keep takes the picture out of the bytes that arrived, proves that it is one, and
// puts it and its thumbnail in place.
func (i *incoming) keep(ctx context.Context) (photo, error) {
	if i.size == 0 {
		return photo{}, fault.Field("data", "the photo has no bytes")
	}
	leave, err := i.album.enterDarkroom(ctx)
	if err != nil {
		return photo{}, err
	}
	defer leave()
	data := make([]byte, i.size)
	if _, err := i.file.ReadAt(data, 0); err != nil {
		return photo{}, unwritable(err)
	}
	stripped, small, err := develop(data)
	if err != nil {
		return photo{}, refused("data", err)
	}
	sum := sha256.Sum256(stripped.Bytes)
	kept := photo{
		SHA256: hex.EncodeToString(sum[:]), MediaType: stripped.MediaType, SizeBytes: int64(len(stripped.Bytes)),
		Width: stripped.Width, Height: stripped.Height,
	}
	if err := i.album.place(i.nursery, i.album.path(i.nursery, kept.SHA256), stripped.Bytes); err != nil {
		return photo{}, err
	}
	return kept, i.album.place(i.nursery, i.album.thumbnailPath(i.nursery, kept.SHA256), small)
}

func (a album) enterDarkroom(ctx context.Context) (leave func(), err error) {
	select {
	case a.darkroom <- struct{}{}:
		return func() { <-a.darkroom }, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// develop returns the picture in some bytes without what it does not show, and its
// thumbnail.
func develop(data []byte) (picture.Picture, []byte, error) {
	stripped, err := picture.Strip(data)
	if err != nil {
		return picture.Picture{}, nil, err
	}
	decoded, err := stripped.Decode()
	if err != nil {
		return picture.Picture{}, nil, err
	}
	small, err := stripped.Thumbnail(decoded)
	return stripped, small, err
}

// refused turns the refusal of a picture into a fault of a field.
func refused(field string, err error) error {
	var refusal *picture.Refusal
	if !errors.As(err, &refusal) {
		return err
	}
	f := fault.Field(field, "%s", refusal.Rule).Because(err)
	for name, value := range refusal.Values {
		f = f.With(name, value)
	}
	return f
}

// place writes a file in its place, so that it survives a power cut once place has
// returned. The same bytes replace each other, which also mends a damaged file.
func (a album) place(nursery, path string, data []byte) (err error) {
	file, err := a.create(nursery)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, drop(file)) }()
	if _, err := file.Write(data); err != nil {
		return unwritable(err)
	}
	if err := file.Sync(); err != nil {
		return unwritable(err)
	}
	folder := filepath.Dir(path)
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return unwritable(err)
	}
	if err := os.Rename(file.Name(), path); err != nil {
		return unwritable(err)
	}
	// The folders above may be new as well.
	for _, changed := range []string{folder, filepath.Dir(folder), a.folder} {
		if err := syncFolder(changed); err != nil {
			return unwritable(err)
		}
	}
	return nil
}

// drop closes the file of what arrived, and removes it.
func (i *incoming) drop() error { return drop(i.file) }

// drop closes a file, and removes it unless it was put in its place.
func drop(file *os.File) error {
	removal := os.Remove(file.Name())
	if errors.Is(removal, os.ErrNotExist) {
		removal = nil
	}
	return errors.Join(file.Close(), removal)
}

// thumbnail returns the small JPEG of a photo, made anew when it is missing or
// damaged.
func (a album) thumbnail(ctx context.Context, nursery, name, sha string) ([]byte, error) {
	path := a.thumbnailPath(nursery, sha)
	small, err := os.ReadFile(path)
	if err == nil {
		if _, err := jpeg.DecodeConfig(bytes.NewReader(small)); err == nil {
			return small, nil
		}
	} else if !errors.Is(err, os.ErrNotExist) {
		return nil, lost(name, "cannot be read").Because(err)
	}
	leave, err := a.enterDarkroom(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	data, err := a.read(nursery, name, sha)
	if err != nil {
		return nil, err
	}
	if _, small, err = develop(data); err != nil {
		return nil, refused("thumbnail", err)
	}
	return small, a.place(nursery, path, small)
}

func (a album) read(nursery, name, sha string) (_ []byte, err error) {
	file, err := a.open(nursery, name, sha)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	data, err := io.ReadAll(file)
	if err != nil {
		return nil, lost(name, "cannot be read").Because(err)
	}
	return data, nil
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
