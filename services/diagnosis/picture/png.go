package picture

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"slices"
)

var pngSignature = []byte("\x89PNG\r\n\x1a\n")

// Chunks of PNG that are kept: those of the image, and those that say what its
// colours and its pixels' proportions are (PNG, third edition).
var pngChunks = []string{"IHDR", "PLTE", "IDAT", "tRNS", "gAMA", "sRGB", "cHRM", "iCCP", "pHYs"}

// pngAnimation are the chunks that make it an animation.
var pngAnimation = []string{"acTL", "fcTL", "fdAT"}

// pngSizes are the sizes of chunks that have but one; others hold something else.
var pngSizes = map[string]int{"gAMA": 4, "sRGB": 1, "cHRM": 32, "pHYs": 9}

const pngOverhead = 12 // length, type and checksum

func stripPNG(data []byte) (Picture, error) {
	var head, body []byte
	var turn orientation
	rest := data[len(pngSignature):]
	for {
		kind, content, after, err := nextPNGChunk(rest)
		if err != nil {
			return Picture{}, err
		}
		rest = after
		switch {
		case kind == "IEND":
			if err := checkTail(rest); err != nil {
				return Picture{}, err
			}
			if turn.turned() {
				head = appendPNGChunk(head, "eXIf", turn.tiff())
			}
			out := slices.Concat(pngSignature, head, body)
			return Picture{Bytes: appendPNGChunk(out, "IEND", nil), MediaType: "image/png", turn: turn}, nil
		case slices.Contains(pngAnimation, kind):
			return Picture{}, animated("image/png")
		case kind == "eXIf":
			turn = orientationIn(content)
		case pngSizes[kind] != 0 && pngSizes[kind] != len(content):
		case kind == "IDAT" || body != nil && slices.Contains(pngChunks, kind):
			body = appendPNGChunk(body, kind, content)
		case slices.Contains(pngChunks, kind):
			head = appendPNGChunk(head, kind, content)
		case critical(kind):
			return Picture{}, refuse("the image/png image has a part %q that a picture does not have", kind).with("part", kind)
		}
	}
}

// critical reports whether a chunk may not be left out: its first letter is a
// capital.
func critical(kind string) bool { return kind[0]&0x20 == 0 }

func nextPNGChunk(data []byte) (kind string, content, rest []byte, err error) {
	if len(data) < pngOverhead {
		return "", nil, nil, truncated("image/png")
	}
	size := uint64(binary.BigEndian.Uint32(data))
	if size+pngOverhead > uint64(len(data)) {
		return "", nil, nil, truncated("image/png")
	}
	checked := data[4 : 8+size]
	if crc32.ChecksumIEEE(checked) != binary.BigEndian.Uint32(data[8+size:]) {
		return "", nil, nil, refuse("the image/png image is damaged: a checksum is wrong").with("media_type", "image/png")
	}
	if !isPNGKind(checked[:4]) {
		return "", nil, nil, refuse("the image/png image is damaged: a part has no name").with("media_type", "image/png")
	}
	return string(checked[:4]), checked[4:], data[size+pngOverhead:], nil
}

// isPNGKind reports whether a chunk's name is four letters.
func isPNGKind(kind []byte) bool {
	return !bytes.ContainsFunc(kind, func(r rune) bool { return (r < 'A' || r > 'Z') && (r < 'a' || r > 'z') })
}

func appendPNGChunk(out []byte, kind string, content []byte) []byte {
	out = binary.BigEndian.AppendUint32(out, uint32(len(content)))
	begin := len(out)
	out = append(append(out, kind...), content...)
	return binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(out[begin:]))
}
