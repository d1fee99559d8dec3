package picture

import (
	"encoding/binary"
)

// Flags of the VP8X chunk (RFC 9649, section 2.7.1).
const (
	webpAnimation = 1 << 1
	webpExif      = 1 << 3
	webpAlpha     = 1 << 4
	webpICC       = 1 << 5
)

const (
	riffHead    = 12 // "RIFF", size, "WEBP"
	chunkHead   = 8  // name, size
	extendedLen = 10 // of the VP8X chunk
)

// webpParts are the chunks of a WebP that are kept.
type webpParts struct {
	extended, icc, alpha, pixels []byte
	pixelKind                    string
	turn                         orientation
}

func stripWebP(data []byte) (Picture, error) {
	size := uint64(binary.LittleEndian.Uint32(data[4:])) + chunkHead
	if size < riffHead || size > uint64(len(data)) {
		return Picture{}, truncated("image/webp")
	}
	if err := checkTail(data[size:]); err != nil {
		return Picture{}, err
	}
	var parts webpParts
	for rest := data[riffHead:size]; len(rest) > 0; {
		if len(rest) < chunkHead {
			return Picture{}, truncated("image/webp")
		}
		length := uint64(binary.LittleEndian.Uint32(rest[4:]))
		if length+chunkHead > uint64(len(rest)) {
			return Picture{}, truncated("image/webp")
		}
		if err := parts.take(string(rest[:4]), rest[chunkHead:chunkHead+length]); err != nil {
			return Picture{}, err
		}
		// Chunks begin at even places; the last one's filling may be missing.
		rest = rest[min(chunkHead+length+length%2, uint64(len(rest))):]
	}
	if parts.pixels == nil {
		return Picture{}, truncated("image/webp")
	}
	out, err := parts.file()
	return Picture{Bytes: out, MediaType: "image/webp", turn: parts.turn}, err
}

func (p *webpParts) take(kind string, content []byte) error {
	switch kind {
	case "ANIM", "ANMF":
		return animated("image/webp")
	case "VP8X":
		if len(content) != extendedLen || p.extended != nil {
			return unreadable("image/webp", nil)
		}
		if content[0]&webpAnimation != 0 {
			return animated("image/webp")
		}
		p.extended = content
	case "ICCP":
		p.icc = content
	case "ALPH":
		p.alpha = content
	case "VP8 ", "VP8L":
		if p.pixels != nil {
			return refuse("the image/webp file holds more than one image").with("media_type", "image/webp")
		}
		p.pixels, p.pixelKind = content, kind
	case "EXIF":
		if p.turn == 0 {
			p.turn = orientationIn(trimExifHead(content))
		}
	}
	return nil
}

// trimExifHead removes the header of JPEG, which some programs write here too.
func trimExifHead(content []byte) []byte {
	if len(content) >= len(exifHead) && string(content[:len(exifHead)]) == exifHead {
		return content[len(exifHead):]
	}
	return content
}

// file writes the parts: the pixels alone when nothing else is needed, else behind
// a VP8X chunk that says what there is.
func (p *webpParts) file() ([]byte, error) {
	if p.extended == nil {
		return appendWebP(webpChunk(nil, p.pixelKind, p.pixels)), nil
	}
	var flags byte
	var body []byte
	if p.icc != nil {
		flags |= webpICC
		body = webpChunk(body, "ICCP", p.icc)
	}
	if p.pixelKind == "VP8 " && p.alpha != nil {
		flags |= webpAlpha
		body = webpChunk(body, "ALPH", p.alpha)
	}
	if p.pixelKind == "VP8L" {
		// There the pixels themselves say how transparent they are.
		flags |= p.extended[0] & webpAlpha
	}
	body = webpChunk(body, p.pixelKind, p.pixels)
	if p.turn.turned() {
		flags |= webpExif
		body = webpChunk(body, "EXIF", p.turn.tiff())
	}
	if flags&^webpAlpha == 0 && p.pixelKind == "VP8L" {
		return appendWebP(body), p.sameSize()
	}
	extended := append([]byte{flags, 0, 0, 0}, p.extended[4:]...)
	return appendWebP(append(webpChunk(nil, "VP8X", extended), body...)), p.sameSize()
}

// sameSize refuses a file whose canvas has another size than its pixels: what is
// checked would not be what is shown.
func (p *webpParts) sameSize() error {
	canvas := [2]int{1 + uint24(p.extended[4:]), 1 + uint24(p.extended[7:])}
	size, err := decoders["image/webp"].size(appendWebP(webpChunk(nil, p.pixelKind, p.pixels)))
	if err != nil {
		return unreadable("image/webp", err)
	}
	if canvas != [2]int{size.Width, size.Height} {
		return refuse("the image/webp image says %d by %d pixels and has %d by %d", canvas[0], canvas[1], size.Width, size.Height).
			with("width", size.Width).with("height", size.Height)
	}
	return nil
}

func uint24(b []byte) int { return int(b[0]) | int(b[1])<<8 | int(b[2])<<16 }

func webpChunk(out []byte, kind string, content []byte) []byte {
	out = append(out, kind...)
	out = binary.LittleEndian.AppendUint32(out, uint32(len(content)))
	out = append(out, content...)
	if len(content)%2 == 1 {
		out = append(out, 0)
	}
	return out
}

func appendWebP(chunks []byte) []byte {
	out := append([]byte("RIFF"), 0, 0, 0, 0)
	binary.LittleEndian.PutUint32(out[4:], uint32(len(chunks)+4))
	return append(append(out, "WEBP"...), chunks...)
}
