package picture

import (
	"encoding/binary"
	"image"
	"image/color"
)

// orientation is how a picture is turned to be shown, 1 to 8 as Exif has it
// (Exif 2.32, tag 274); 0 is not said.
type orientation uint16

const (
	tagOrientation = 0x0112
	typeShort      = 3
	upright        = orientation(1)
	lastTurn       = orientation(8)
)

// sideways reports whether width and height change places.
func (o orientation) sideways() bool { return o >= 5 && o <= lastTurn }

// turned reports whether the picture is shown otherwise than it is stored.
func (o orientation) turned() bool { return o > upright && o <= lastTurn }

// orientationIn reads how a picture is turned out of a TIFF structure; 0 when it
// does not say. Nothing else in there is read.
func orientationIn(tiff []byte) orientation {
	var order binary.ByteOrder
	switch {
	case len(tiff) < 8:
		return 0
	case string(tiff[:4]) == "II*\x00":
		order = binary.LittleEndian
	case string(tiff[:4]) == "MM\x00*":
		order = binary.BigEndian
	default:
		return 0
	}
	at := uint64(order.Uint32(tiff[4:]))
	if at+2 > uint64(len(tiff)) {
		return 0
	}
	entries := tiff[at+2:]
	for range order.Uint16(tiff[at:]) {
		if len(entries) < 12 {
			return 0
		}
		if order.Uint16(entries) == tagOrientation && order.Uint16(entries[2:]) == typeShort {
			if turn := orientation(order.Uint16(entries[8:])); turn >= upright && turn <= lastTurn {
				return turn
			}
			return 0
		}
		entries = entries[12:]
	}
	return 0
}

// tiff writes a TIFF structure that says how the picture is turned and nothing else.
func (o orientation) tiff() []byte {
	out := []byte("II*\x00\x08\x00\x00\x00\x01\x00")
	out = binary.LittleEndian.AppendUint16(out, tagOrientation)
	out = binary.LittleEndian.AppendUint16(out, typeShort)
	out = binary.LittleEndian.AppendUint32(out, 1)
	out = binary.LittleEndian.AppendUint32(out, uint32(o))
	return binary.LittleEndian.AppendUint32(out, 0)
}

// shown is a picture turned as it is shown.
type shown struct {
	image.Image
	turn orientation
}

func (s shown) Bounds() image.Rectangle {
	size := s.Image.Bounds().Size()
	if s.turn.sideways() {
		return image.Rect(0, 0, size.Y, size.X)
	}
	return image.Rect(0, 0, size.X, size.Y)
}

// At returns the stored pixel that is shown at a place.
func (s shown) At(x, y int) color.Color {
	stored := s.Image.Bounds()
	right, bottom := stored.Dx()-1, stored.Dy()-1
	switch s.turn {
	case 2:
		x = right - x
	case 3:
		x, y = right-x, bottom-y
	case 4:
		y = bottom - y
	case 5:
		x, y = y, x
	case 6:
		x, y = y, bottom-x
	case 7:
		x, y = right-y, bottom-x
	case 8:
		x, y = right-y, x
	}
	return s.Image.At(stored.Min.X+x, stored.Min.Y+y)
}
