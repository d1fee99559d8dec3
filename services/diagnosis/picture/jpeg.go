package picture

import (
	"bytes"
	"encoding/binary"
)

// Markers of JPEG (ITU-T T.81, table B.1).
const (
	markerTEM   = 0x01
	markerSOF0  = 0xC0
	markerDHT   = 0xC4
	markerDAC   = 0xCC
	markerSOF15 = 0xCF
	markerRST0  = 0xD0
	markerRST7  = 0xD7
	markerSOI   = 0xD8
	markerEOI   = 0xD9
	markerSOS   = 0xDA
	markerDQT   = 0xDB
	markerDNL   = 0xDC
	markerDRI   = 0xDD
	markerAPP0  = 0xE0
	markerAPP1  = 0xE1
	markerAPP2  = 0xE2
	markerAPP14 = 0xEE
)

const (
	jfifHead  = "JFIF\x00"
	exifHead  = "Exif\x00\x00"
	iccHead   = "ICC_PROFILE\x00"
	adobeHead = "Adobe"
	// jfifSize and adobeSize are those of their segments without anything added.
	jfifSize  = 14
	adobeSize = 12
)

// jpegStripper walks over the segments of a JPEG.
type jpegStripper struct {
	rest  []byte
	head  []byte // JFIF segment
	kept  []byte // what follows it
	scans int
	turn  orientation
	adobe bool
}

func stripJPEG(data []byte) (Picture, error) {
	s := &jpegStripper{rest: data[2:]}
	for {
		marker, ok := s.marker()
		if !ok {
			return Picture{}, truncated("image/jpeg")
		}
		if marker == markerEOI {
			break
		}
		if err := s.segment(marker); err != nil {
			return Picture{}, err
		}
	}
	if err := checkTail(s.rest); err != nil {
		return Picture{}, err
	}
	if s.scans == 0 {
		return Picture{}, truncated("image/jpeg")
	}
	out := append([]byte{0xFF, markerSOI}, s.head...)
	if s.turn.turned() {
		out = appendSegment(out, markerAPP1, append([]byte(exifHead), s.turn.tiff()...))
	}
	out = append(out, s.kept...)
	return Picture{Bytes: append(out, 0xFF, markerEOI), MediaType: "image/jpeg", turn: s.turn}, nil
}

// marker finds the next marker and drops what is before it, which belongs to no
// segment. Fill bytes may stand before a marker.
func (s *jpegStripper) marker() (marker byte, ok bool) {
	for {
		at := bytes.IndexByte(s.rest, 0xFF)
		if at < 0 || at+1 >= len(s.rest) {
			return 0, false
		}
		marker = s.rest[at+1]
		if marker == 0xFF {
			s.rest = s.rest[at+1:]
			continue
		}
		s.rest = s.rest[at+2:]
		if marker != 0 {
			return marker, true
		}
	}
}

// segment keeps or drops the segment behind a marker.
func (s *jpegStripper) segment(marker byte) error {
	if marker == markerTEM || marker >= markerRST0 && marker <= markerRST7 {
		return nil
	}
	if marker == markerSOI {
		return refuse("the image holds a second image where its segments should be")
	}
	if len(s.rest) < 2 {
		return truncated("image/jpeg")
	}
	size := int(binary.BigEndian.Uint16(s.rest))
	if size < 2 || size > len(s.rest) {
		return truncated("image/jpeg")
	}
	body := s.rest[2:size]
	s.rest = s.rest[size:]
	switch {
	case marker == markerSOS:
		s.scans++
		if s.scans > maxScans {
			return refuse("the image has more than %d passes, which no camera makes", maxScans).with("max_scans", maxScans)
		}
		s.kept = appendSegment(s.kept, marker, body)
		s.entropy()
	case belongsToImage(marker):
		s.kept = appendSegment(s.kept, marker, body)
	default:
		s.application(marker, body)
	}
	return nil
}

// application takes what is needed out of a segment that a program wrote: how the
// colours are coded, and how the picture is turned. Everything else goes.
func (s *jpegStripper) application(marker byte, body []byte) {
	is := func(wanted byte, head string, size int) bool {
		return marker == wanted && len(body) >= size && bytes.HasPrefix(body, []byte(head))
	}
	switch {
	case is(markerAPP0, jfifHead, jfifSize) && s.head == nil:
		// The last two bytes are the size of a preview, which goes.
		s.head = appendSegment(nil, markerAPP0, append(bytes.Clone(body[:jfifSize-2]), 0, 0))
	case is(markerAPP1, exifHead, len(exifHead)) && s.turn == 0:
		s.turn = orientationIn(body[len(exifHead):])
	case is(markerAPP2, iccHead, len(iccHead)) && s.scans == 0:
		s.kept = appendSegment(s.kept, marker, body)
	case is(markerAPP14, adobeHead, adobeSize) && !s.adobe:
		s.adobe = true
		s.kept = appendSegment(s.kept, marker, body[:adobeSize])
	}
}

// entropy keeps coded pixels up to the next marker.
func (s *jpegStripper) entropy() {
	for at := 0; ; {
		next := bytes.IndexByte(s.rest[at:], 0xFF)
		if next < 0 || at+next+1 >= len(s.rest) {
			// There is no marker behind, so the walk ends as cut off.
			s.kept = append(s.kept, s.rest...)
			s.rest = nil
			return
		}
		at += next
		switch follows := s.rest[at+1]; {
		case follows == 0 || follows >= markerRST0 && follows <= markerRST7:
			at += 2
		default:
			s.kept = append(s.kept, s.rest[:at]...)
			s.rest = s.rest[at:]
			return
		}
	}
}

// belongsToImage reports whether a segment is needed to decode the pixels.
func belongsToImage(marker byte) bool {
	switch marker {
	case markerDHT, markerDAC, markerDQT, markerDNL, markerDRI:
		return true
	}
	const reserved = 0xC8
	return marker >= markerSOF0 && marker <= markerSOF15 && marker != reserved
}

func appendSegment(out []byte, marker byte, body []byte) []byte {
	out = append(out, 0xFF, marker)
	out = binary.BigEndian.AppendUint16(out, uint16(len(body)+2))
	return append(out, body...)
}
