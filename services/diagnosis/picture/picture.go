// Package picture takes from a photo what it shows and leaves behind everything
// else: where and with what it was taken, comments, previews, and whatever hangs
// behind the image. It refuses files that are no picture, that are several, or that
// would fill the memory when somebody looks at them, and makes thumbnails.
//
// The pixels are never encoded anew: the bytes that are kept are those of the
// camera, so that the same photo sent twice is the same photo.
package picture

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"

	"golang.org/x/image/webp"
)

// Limits of what is decoded.
const (
	// MaxSide is the longest side in pixels.
	MaxSide = 20_000
	// MaxPixels is the most pixels: a camera of 50 megapixels.
	MaxPixels = 50_000_000
	// maxPixelsPerByte is how many pixels a byte of an honest photo makes at most. A
	// JPEG of one plain colour makes 64 (about 30 bits for 16 by 16 pixels), and no
	// camera's picture is plain. It is a design value.
	maxPixelsPerByte = 200
	// harmless is how many pixels may be as plain as they like: a drawing, a screen.
	harmless = 1 << 20
	// maxScans is how many passes a progressive JPEG has at most: encoders make about
	// ten, and each costs the decoder a walk over all pixels. It is a design value.
	maxScans = 100
)

// Refusal says which rule a file breaks.
type Refusal struct {
	// Rule is one sentence for a person.
	Rule string
	// Values are the values that it mentions, by name.
	Values map[string]string
	cause  error
}

func (r *Refusal) Error() string { return r.Rule }

// Unwrap returns what the decoder said, where it was the decoder.
func (r *Refusal) Unwrap() error { return r.cause }

func refuse(format string, args ...any) *Refusal { return &Refusal{Rule: fmt.Sprintf(format, args...)} }

func (r *Refusal) with(name string, value any) *Refusal {
	if r.Values == nil {
		r.Values = map[string]string{}
	}
	r.Values[name] = fmt.Sprint(value)
	return r
}

func (r *Refusal) because(err error) *Refusal {
	r.cause = err
	return r
}

// Picture is a photo without what it does not show.
type Picture struct {
	// Bytes is the file to keep.
	Bytes []byte
	// MediaType is image/jpeg, image/png or image/webp.
	MediaType string
	// Width and Height in pixels, as it is shown.
	Width, Height int
	// turn is how it is turned to be shown.
	turn orientation
}

// Strip reads a file and returns the picture in it without anything else, or a
// *Refusal. It decodes nothing but sizes; Decode proves that the rest is sound.
func Strip(data []byte) (Picture, error) {
	kept, err := strip(data)
	if err != nil {
		return Picture{}, err
	}
	if endsAsZip(kept.Bytes) {
		return Picture{}, refuse("the image is a ZIP archive as well; send the image alone").with("follows", "ZIP archive")
	}
	size, err := decoders[kept.MediaType].size(kept.Bytes)
	if err != nil {
		return Picture{}, unreadable(kept.MediaType, err)
	}
	if err := checkSize(size.Width, size.Height, len(kept.Bytes)); err != nil {
		return Picture{}, err
	}
	kept.Width, kept.Height = size.Width, size.Height
	if kept.turn.sideways() {
		kept.Width, kept.Height = size.Height, size.Width
	}
	return kept, nil
}

func strip(data []byte) (Picture, error) {
	switch {
	case bytes.HasPrefix(data, []byte{0xFF, markerSOI, 0xFF}):
		return stripJPEG(data)
	case bytes.HasPrefix(data, pngSignature):
		return stripPNG(data)
	case len(data) >= 12 && string(data[:4]) == "RIFF" && string(data[8:12]) == "WEBP":
		return stripWebP(data)
	default:
		return Picture{}, refuse("the bytes are no JPEG, PNG or WebP image")
	}
}

// decoder reads pictures of one media type.
type decoder struct {
	size  func(data []byte) (image.Config, error)
	image func(data []byte) (image.Image, error)
}

var decoders = map[string]decoder{
	"image/jpeg": {
		size:  func(data []byte) (image.Config, error) { return jpeg.DecodeConfig(bytes.NewReader(data)) },
		image: func(data []byte) (image.Image, error) { return jpeg.Decode(bytes.NewReader(data)) },
	},
	"image/png": {
		size:  func(data []byte) (image.Config, error) { return png.DecodeConfig(bytes.NewReader(data)) },
		image: func(data []byte) (image.Image, error) { return png.Decode(bytes.NewReader(data)) },
	},
	"image/webp": {
		size:  func(data []byte) (image.Config, error) { return webp.DecodeConfig(bytes.NewReader(data)) },
		image: func(data []byte) (image.Image, error) { return webp.Decode(bytes.NewReader(data)) },
	},
}

// Decode returns the pixels as they are stored, which proves that the whole file is
// sound, or a *Refusal. It takes up to about 15 bytes of memory a pixel.
func (p Picture) Decode() (image.Image, error) {
	decoded, err := decoders[p.MediaType].image(p.Bytes)
	if err != nil {
		return nil, unreadable(p.MediaType, err)
	}
	bounds := decoded.Bounds()
	if err := checkSize(bounds.Dx(), bounds.Dy(), len(p.Bytes)); err != nil {
		return nil, err
	}
	return decoded, nil
}

// checkSize refuses pictures that are larger than any camera's, and such that are
// far larger than their bytes can honestly say.
func checkSize(width, height, size int) error {
	pixels := int64(width) * int64(height)
	switch {
	case width < 1 || height < 1:
		return refuse("the image has no pixels")
	case width > MaxSide || height > MaxSide:
		return refuse("the image is %d by %d pixels; a side may have %d", width, height, MaxSide).
			with("width", width).with("height", height).with("max_side", MaxSide)
	case pixels > MaxPixels:
		return refuse("the image has %d pixels; %d are allowed", pixels, int64(MaxPixels)).
			with("pixels", pixels).with("max_pixels", int64(MaxPixels))
	case pixels > harmless && pixels/int64(size) > maxPixelsPerByte:
		return refuse("the image has %d pixels in %d bytes; no photo has more than %d pixels in a byte", pixels, size, maxPixelsPerByte).
			with("pixels", pixels).with("size_bytes", size).with("max_pixels_per_byte", maxPixelsPerByte)
	}
	return nil
}

func unreadable(mediaType string, err error) error {
	var already *Refusal
	if errors.As(err, &already) {
		return already
	}
	return refuse("the %s image cannot be decoded to its end: it is damaged, cut off or of a kind that is not read", mediaType).
		with("media_type", mediaType).because(err)
}

func truncated(mediaType string) *Refusal {
	return refuse("the %s image ends before it is complete", mediaType).with("media_type", mediaType)
}

func animated(mediaType string) *Refusal {
	return refuse("the %s image is animated; send a single picture", mediaType).with("media_type", mediaType)
}

// foreign are the beginnings of files that would be found behind an image only to
// have it taken for another kind of file. What cameras leave there, a second
// picture, a film or zeros, is none of them and is dropped.
var foreign = []struct{ kind, begins string }{
	{"ZIP archive", "PK\x03\x04"},
	{"ZIP archive", "PK\x05\x06"},
	{"RAR archive", "Rar!\x1a\x07"},
	{"7z archive", "7z\xbc\xaf\x27\x1c"},
	{"gzip archive", "\x1f\x8b\x08"},
	{"PDF document", "%PDF"},
	{"program", "\x7fELF"},
	{"program", "MZ"},
	{"script", "#!"},
	{"script", "<?php"},
	{"web page", "<!DOCTYPE"},
	{"web page", "<html"},
	{"web page", "<script"},
	{"web page", "<svg"},
}

// zipEnd begins the last record of a ZIP archive, which readers look for in the
// last zipTail bytes of a file (APPNOTE.TXT 4.3.16, from memory).
const (
	zipEnd  = "PK\x05\x06"
	zipTail = 22 + 65535
)

// endsAsZip reports whether the last record of a ZIP archive ends a file exactly, as
// it can from within a colour profile. Pixels hold its four letters by chance, but
// not the number of bytes that follow.
func endsAsZip(data []byte) bool {
	const commentSize, record = 20, 22
	tail := data[max(0, len(data)-zipTail):]
	for {
		at := bytes.Index(tail, []byte(zipEnd))
		if at < 0 || len(tail)-at < record {
			return false
		}
		if tail = tail[at:]; int(binary.LittleEndian.Uint16(tail[commentSize:])) == len(tail)-record {
			return true
		}
		tail = tail[len(zipEnd):]
	}
}

// checkTail refuses what makes a file behind an image a file of another kind.
func checkTail(tail []byte) error {
	begin := bytes.TrimLeft(tail, "\x00 \t\r\n")
	for _, other := range foreign {
		if len(begin) >= len(other.begins) && bytes.EqualFold(begin[:len(other.begins)], []byte(other.begins)) {
			return refuse("behind the image follows a %s; send the image alone", other.kind).with("follows", other.kind)
		}
	}
	if bytes.Contains(tail[max(0, len(tail)-zipTail):], []byte(zipEnd)) {
		return refuse("behind the image follows a ZIP archive; send the image alone").with("follows", "ZIP archive")
	}
	return nil
}
