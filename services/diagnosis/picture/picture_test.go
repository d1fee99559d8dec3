package picture

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The WebP files of testdata are test images of golang.org/x/image.

// secret stands where cameras and programs write what nobody should read.
const secret = "-25.7461 28.1881 taken by"

// landscape is a picture whose four corners can be told apart.
func landscape() image.Image {
	m := image.NewRGBA(image.Rect(0, 0, 64, 32))
	for y := range 32 {
		for x := range 64 {
			m.Set(x, y, color.RGBA{R: uint8(x * 4), G: uint8(y * 8), B: 40, A: 255})
		}
	}
	return m
}

func asJPEG(t testing.TB) []byte {
	t.Helper()
	var out bytes.Buffer
	require.NoError(t, jpeg.Encode(&out, landscape(), nil))
	return out.Bytes()
}

func asPNG(t testing.TB) []byte {
	t.Helper()
	var out bytes.Buffer
	require.NoError(t, png.Encode(&out, landscape()))
	return out.Bytes()
}

func fromFile(t testing.TB, name string) []byte {
	t.Helper()
	data, err := os.ReadFile("testdata/" + name)
	require.NoError(t, err)
	return data
}

// exif is what a camera writes: how it was held, and where it was.
func exif(order binary.ByteOrder, turn uint16) []byte {
	out := []byte("II*\x00")
	if order == binary.ByteOrder(binary.BigEndian) {
		out = []byte("MM\x00*")
	}
	add16 := func(v uint16) { out = append(out, 0, 0); order.PutUint16(out[len(out)-2:], v) }
	add32 := func(v uint32) { out = append(out, 0, 0, 0, 0); order.PutUint32(out[len(out)-4:], v) }
	add32(8)
	add16(2)
	add16(0x010E) // description
	add16(2)
	add32(uint32(len(secret)))
	add32(38)
	add16(0x0112)
	add16(3)
	add32(1)
	add16(turn)
	add16(0)
	add32(0)
	return append(out, secret...)
}

// inJPEG puts segments behind the beginning of a JPEG.
func inJPEG(data []byte, segments ...[]byte) []byte {
	return slices.Concat(data[:2], slices.Concat(segments...), data[2:])
}

// inPNG puts chunks behind the header of a PNG.
func inPNG(data []byte, chunks ...[]byte) []byte {
	const header = 8 + 25
	return slices.Concat(data[:header], slices.Concat(chunks...), data[header:])
}

// extended makes a WebP with a VP8X chunk of a simple one.
func extended(flags byte, width, height int, before, simple, behind []byte) []byte {
	head := []byte{flags, 0, 0, 0, byte(width - 1), byte((width - 1) >> 8), 0, byte(height - 1), byte((height - 1) >> 8), 0}
	return appendWebP(slices.Concat(webpChunk(nil, "VP8X", head), before, simple[riffHead:], behind))
}

func sizeOf(t *testing.T, data []byte) (int, int) {
	t.Helper()
	p, err := Strip(data)
	require.NoError(t, err)
	return p.Width, p.Height
}

// What is kept of a photo is what it shows, and how it is held.
func TestNothingIsKeptThatThePictureDoesNotShow(t *testing.T) {
	lossy := fromFile(t, "lossy.webp")
	width, height := sizeOf(t, lossy)
	text := []byte(secret)
	for name, test := range map[string]struct {
		data, same []byte // same is what the file is without anything hidden
		turn       orientation
	}{
		"JPEG with Exif":                {data: inJPEG(asJPEG(t), appendSegment(nil, markerAPP1, append([]byte(exifHead), exif(binary.LittleEndian, 1)...))), same: asJPEG(t), turn: 1},
		"JPEG with Exif, held sideways": {data: inJPEG(asJPEG(t), appendSegment(nil, markerAPP1, append([]byte(exifHead), exif(binary.BigEndian, 6)...))), turn: 6},
		"JPEG with XMP, IPTC and a comment": {data: inJPEG(asJPEG(t),
			appendSegment(nil, markerAPP1, append([]byte("http://ns.adobe.com/xap/1.0/\x00"), text...)),
			appendSegment(nil, 0xED, append([]byte("Photoshop 3.0\x00"), text...)), appendSegment(nil, 0xFE, text)), same: asJPEG(t)},
		"JPEG with a preview in its first segment": {data: inJPEG(asJPEG(t),
			appendSegment(nil, markerAPP0, slices.Concat([]byte(jfifHead), []byte{1, 1, 0, 0, 1, 0, 1, 9, 1}, text))),
			same: inJPEG(asJPEG(t), appendSegment(nil, markerAPP0, append([]byte(jfifHead), 1, 1, 0, 0, 1, 0, 1, 0, 0)))},
		"JPEG with a second picture behind it": {data: slices.Concat(asJPEG(t), asJPEG(t), text), same: asJPEG(t)},
		"JPEG with zeros behind it":            {data: append(asJPEG(t), make([]byte, 4096)...), same: asJPEG(t)},
		"JPEG with rubbish between segments":   {data: inJPEG(asJPEG(t), appendSegment(nil, 0xFE, nil), text), same: asJPEG(t)},
		"PNG with texts and a time": {data: inPNG(asPNG(t), appendPNGChunk(nil, "tEXt", text), appendPNGChunk(nil, "iTXt", text),
			appendPNGChunk(nil, "zTXt", text), appendPNGChunk(nil, "tIME", text[:7]), appendPNGChunk(nil, "prIv", text)), same: asPNG(t)},
		"PNG with Exif":                   {data: inPNG(asPNG(t), appendPNGChunk(nil, "eXIf", exif(binary.BigEndian, 8))), turn: 8},
		"PNG with a text for its colours": {data: inPNG(asPNG(t), appendPNGChunk(nil, "cHRM", text), appendPNGChunk(nil, "gAMA", text)), same: asPNG(t)},
		"JPEG with a profile behind its pixels": {data: slices.Concat(asJPEG(t)[:len(asJPEG(t))-2],
			appendSegment(nil, markerAPP2, append([]byte(iccHead), text...)), []byte{0xFF, markerEOI}), same: asJPEG(t)},
		"PNG with something behind it": {data: append(asPNG(t), text...), same: asPNG(t)},
		"WebP with Exif and XMP": {data: extended(1<<2|webpExif, width, height, nil, lossy,
			slices.Concat(webpChunk(nil, "EXIF", exif(binary.LittleEndian, 3)), webpChunk(nil, "XMP ", text))), turn: 3},
		"WebP with a part nobody knows": {data: extended(0, width, height, nil, lossy, webpChunk(nil, "SECR", text)),
			same: extended(0, width, height, nil, lossy, nil)},
		"WebP with something behind it": {data: append(slices.Clone(lossy), text...), same: lossy},
	} {
		t.Run(name, func(t *testing.T) {
			p, err := Strip(test.data)
			require.NoError(t, err)
			require.NotContains(t, string(p.Bytes), secret)
			require.NotContains(t, string(p.Bytes), "taken")
			require.Equal(t, test.turn, p.turn)
			if test.same != nil {
				require.Equal(t, test.same, p.Bytes)
			}
			_, err = p.Decode()
			require.NoError(t, err)
			again, err := Strip(p.Bytes)
			require.NoError(t, err)
			require.Equal(t, p.Bytes, again.Bytes, "what is stripped stays as it is")
			require.Equal(t, p.turn.turned(), again.turn.turned())
			require.Equal(t, []int{p.Width, p.Height}, []int{again.Width, again.Height})
		})
	}
}

// What decides how the colours look stays.
func TestColoursAreKept(t *testing.T) {
	profile := append([]byte(iccHead), "\x01\x01 a profile"...)
	p, err := Strip(inJPEG(asJPEG(t), appendSegment(nil, markerAPP2, profile), appendSegment(nil, markerAPP2, []byte("MPF\x00"+secret))))
	require.NoError(t, err)
	require.Contains(t, string(p.Bytes), "a profile")
	require.NotContains(t, string(p.Bytes), secret)

	p, err = Strip(inPNG(asPNG(t), appendPNGChunk(nil, "gAMA", []byte{0, 0, 0xB1, 0x8F}), appendPNGChunk(nil, "iCCP", []byte("p\x00\x00")), appendPNGChunk(nil, "pHYs", make([]byte, 9))))
	require.NoError(t, err)
	for _, kept := range []string{"gAMA", "iCCP", "pHYs"} {
		require.Contains(t, string(p.Bytes), kept)
	}

	lossy := fromFile(t, "lossy.webp")
	width, height := sizeOf(t, lossy)
	p, err = Strip(extended(webpICC|1<<2, width, height, webpChunk(nil, "ICCP", []byte("a profile")), lossy, webpChunk(nil, "XMP ", []byte(secret))))
	require.NoError(t, err)
	require.Equal(t, extended(webpICC, width, height, webpChunk(nil, "ICCP", []byte("a profile")), lossy, nil), p.Bytes)
	_, err = p.Decode()
	require.NoError(t, err)
}

func TestWebPsOfAllKindsAreRead(t *testing.T) {
	for _, name := range []string{"lossy.webp", "lossless.webp", "lossy-with-alpha.webp"} {
		data := fromFile(t, name)
		p, err := Strip(data)
		require.NoError(t, err, name)
		require.Equal(t, "image/webp", p.MediaType)
		_, err = p.Decode()
		require.NoError(t, err, name)
	}
}

// archiveEnd is the last record of a ZIP archive with a comment of some bytes.
func archiveEnd(comment int) []byte {
	return binary.LittleEndian.AppendUint16(append([]byte(zipEnd), make([]byte, 16)...), uint16(comment))
}

func TestFilesAreRefused(t *testing.T) {
	jpegFile, pngFile, lossy := asJPEG(t), asPNG(t), fromFile(t, "lossy.webp")
	width, height := sizeOf(t, lossy)
	zip := []byte("PK\x03\x04 and so on PK\x05\x06\x00\x00")
	var passes []byte
	scan := jpegFile[bytes.Index(jpegFile, []byte{0xFF, markerSOS}) : len(jpegFile)-2]
	passes = append(passes, jpegFile[:len(jpegFile)-2]...)
	for range maxScans {
		passes = append(passes, scan...)
	}
	passes = append(passes, 0xFF, markerEOI)
	otherSize := slices.Clone(lossy)
	for name, test := range map[string]struct {
		data      []byte
		explained string
	}{
		"nothing":                        {nil, "no JPEG, PNG or WebP"},
		"a web page":                     {[]byte("<html><script>alert(1)</script>"), "no JPEG, PNG or WebP"},
		"a TIFF":                         {[]byte("II*\x00 a TIFF"), "no JPEG, PNG or WebP"},
		"an archive before the image":    {slices.Concat(zip, jpegFile), "no JPEG, PNG or WebP"},
		"a JPEG with an archive behind":  {slices.Concat(jpegFile, zip), "ZIP archive"},
		"an archive further behind":      {slices.Concat(jpegFile, []byte("something "), zip), "ZIP archive"},
		"an archive as a colour profile": {inJPEG(jpegFile, appendSegment(nil, markerAPP2, append([]byte(iccHead), archiveEnd(len(jpegFile)-2)...))), "ZIP archive"},
		"a PNG with a web page behind":   {append(slices.Clone(pngFile), "\n<HTML>"...), "web page"},
		"a WebP with a document behind":  {append(slices.Clone(lossy), "%PDF-1.7"...), "PDF"},
		"a JPEG that is cut off":         {jpegFile[:len(jpegFile)-20], "ends before"},
		"a JPEG without an image":        {[]byte{0xFF, markerSOI, 0xFF, markerEOI}, "ends before"},
		"a JPEG cut in its header":       {jpegFile[:30], "ends before"},
		"a JPEG of a hundred passes":     {passes, "passes"},
		"a JPEG in a JPEG":               {inJPEG(jpegFile, jpegFile), "second image"},
		"a PNG that is cut off":          {pngFile[:len(pngFile)-20], "ends before"},
		"a PNG with a wrong checksum":    {slices.Concat(pngFile[:30], []byte{pngFile[30] ^ 1}, pngFile[31:]), "checksum"},
		"a PNG with a part nobody knows": {inPNG(pngFile, appendPNGChunk(nil, "ABCD", nil)), "part"},
		"an animated PNG":                {inPNG(pngFile, appendPNGChunk(nil, "acTL", make([]byte, 8))), "animated"},
		"a WebP that is cut off":         {lossy[:len(lossy)-20], "ends before"},
		"a WebP that says it is empty":   {[]byte("RIFF\x04\x00\x00\x00WEBP"), "ends before"},
		"an animated WebP":               {extended(webpAnimation, width, height, nil, lossy, nil), "animated"},
		"a WebP with frames":             {extended(0, width, height, webpChunk(nil, "ANMF", make([]byte, 16)), lossy, nil), "animated"},
		"two images in a WebP":           {extended(0, width, height, otherSize[riffHead:], lossy, nil), "more than one"},
		"a WebP of two sizes":            {extended(0, width+1, height, nil, lossy, nil), "pixels and has"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Strip(test.data)
			var refusal *Refusal
			require.ErrorAs(t, err, &refusal)
			require.Contains(t, refusal.Rule, test.explained)
		})
	}
}

// Damage that only decoding finds.
func TestDamagedPixelsAreRefused(t *testing.T) {
	jpegFile := asJPEG(t)
	at := bytes.Index(jpegFile, []byte{0xFF, markerSOS})
	hollow := slices.Concat(jpegFile[:at+20], []byte{0xFF, markerEOI})
	pngFile := asPNG(t)
	emptied := slices.Concat(pngFile[:8+25], appendPNGChunk(nil, "IDAT", []byte{0x78, 0x9c}), appendPNGChunk(nil, "IEND", nil))
	lossy := fromFile(t, "lossy.webp")
	halved := webpChunk(nil, "VP8 ", lossy[riffHead+chunkHead:riffHead+chunkHead+60])
	for name, data := range map[string][]byte{"JPEG": hollow, "PNG": emptied, "WebP": appendWebP(halved)} {
		t.Run(name, func(t *testing.T) {
			p, err := Strip(data)
			if err == nil {
				_, err = p.Decode()
			}
			var refusal *Refusal
			require.ErrorAs(t, err, &refusal)
			require.Contains(t, refusal.Rule, "cannot be decoded")
			require.NotNil(t, errors.Unwrap(err))
		})
	}
}

// sized is a PNG that says how large it is and has next to no bytes.
func sized(width, height uint32, padding int) []byte {
	head := binary.BigEndian.AppendUint32(nil, width)
	head = binary.BigEndian.AppendUint32(head, height)
	out := slices.Clone(pngSignature)
	out = appendPNGChunk(out, "IHDR", append(head, 8, 0, 0, 0, 0))
	out = appendPNGChunk(out, "IDAT", make([]byte, padding))
	return appendPNGChunk(out, "IEND", nil)
}

// A file of a few bytes that unfolds to gigabytes is refused before it unfolds.
func TestPhotoBombsAreRefusedBeforeTheyGoOff(t *testing.T) {
	for name, test := range map[string]struct {
		width, height uint32
		padding       int
		explained     string
	}{
		"a side too long":            {MaxSide + 1, 10, 1000, "a side may have 20000"},
		"too many pixels":            {10_000, 5_001, 1 << 20, "50000000 are allowed"},
		"far more pixels than bytes": {7_000, 7_000, 100_000, "no photo has more than 200 pixels in a byte"},
		"nearly endless":             {1 << 20, 1 << 20, 10, "a side may have"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Strip(sized(test.width, test.height, test.padding))
			require.ErrorContains(t, err, test.explained)
		})
	}
	for name, data := range map[string][]byte{
		"the largest photo": sized(10_000, 5_000, 1<<20), "a plain drawing": sized(1024, 1024, 100),
	} {
		_, err := Strip(data)
		require.NoError(t, err, name)
	}
}

func TestAThumbnailIsSmallAndUpright(t *testing.T) {
	for turn, corner := range map[uint16]color.RGBA{
		// The stored picture is red to the right and green to the bottom; this is
		// what stands in the upper left corner.
		1: {R: 0, G: 0}, 2: {R: 252, G: 0}, 3: {R: 252, G: 248}, 4: {R: 0, G: 248},
		5: {R: 0, G: 0}, 6: {R: 0, G: 248}, 7: {R: 252, G: 248}, 8: {R: 252, G: 0},
	} {
		data := inJPEG(asJPEG(t), appendSegment(nil, markerAPP1, append([]byte(exifHead), exif(binary.LittleEndian, turn)...)))
		p, err := Strip(data)
		require.NoError(t, err)
		decoded, err := p.Decode()
		require.NoError(t, err)
		small, err := p.Thumbnail(decoded)
		require.NoError(t, err)
		m, err := jpeg.Decode(bytes.NewReader(small))
		require.NoError(t, err)
		require.Equal(t, image.Pt(p.Width, p.Height), m.Bounds().Size(), turn)
		require.Equal(t, turn >= 5, p.Height > p.Width, turn)
		r, g, _, _ := m.At(0, 0).RGBA()
		require.InDelta(t, int(corner.R), int(r>>8), 25, "turn %d", turn)
		require.InDelta(t, int(corner.G), int(g>>8), 25, "turn %d", turn)
	}

	var wide bytes.Buffer
	require.NoError(t, png.Encode(&wide, image.NewNRGBA(image.Rect(0, 0, 1000, 2))))
	p, err := Strip(wide.Bytes())
	require.NoError(t, err)
	decoded, err := p.Decode()
	require.NoError(t, err)
	small, err := p.Thumbnail(decoded)
	require.NoError(t, err)
	m, err := jpeg.Decode(bytes.NewReader(small))
	require.NoError(t, err)
	require.Equal(t, image.Pt(ThumbnailSide, 1), m.Bounds().Size())
	r, _, _, _ := m.At(5, 0).RGBA()
	require.Equal(t, uint32(0xffff), r, "what is transparent becomes white")
}

func TestOrientationIsReadFromAnyBytes(t *testing.T) {
	for name, data := range map[string][]byte{
		"nothing": nil, "no TIFF": []byte(strings.Repeat("x", 40)), "behind the end": []byte("II*\x00\xff\xff\xff\xff"),
		"a count and no entries": []byte("II*\x00\x08\x00\x00\x00\xff\xff"), "a turn that there is not": exif(binary.LittleEndian, 9),
	} {
		require.Zero(t, orientationIn(data), name)
	}
	for turn := upright; turn <= lastTurn; turn++ {
		require.Equal(t, turn, orientationIn(turn.tiff()))
	}
}

// Whatever comes in, what goes out is sound, small enough, and stays as it is.
func FuzzStrip(f *testing.F) {
	for _, name := range []string{"lossy.webp", "lossy-with-alpha.webp"} {
		f.Add(fromFile(f, name))
	}
	f.Add(asJPEG(f))
	f.Add(asPNG(f))
	f.Add(inJPEG(asJPEG(f), appendSegment(nil, markerAPP1, append([]byte(exifHead), exif(binary.LittleEndian, 6)...))))
	f.Add(inPNG(asPNG(f), appendPNGChunk(nil, "eXIf", exif(binary.BigEndian, 8))))
	f.Add(extended(webpExif, 152, 103, nil, fromFile(f, "lossy.webp"), webpChunk(nil, "EXIF", exif(binary.LittleEndian, 3))))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := Strip(data)
		if err != nil {
			var refusal *Refusal
			require.ErrorAs(t, err, &refusal)
			return
		}
		require.LessOrEqual(t, p.Width*p.Height, MaxPixels)
		again, err := Strip(p.Bytes)
		require.NoError(t, err)
		require.Equal(t, p.Bytes, again.Bytes)
		if p.Width*p.Height > 1<<20 {
			return // too slow to decode here
		}
		decoded, err := p.Decode()
		if err != nil {
			return
		}
		_, err = p.Thumbnail(decoded)
		require.NoError(t, err)
	})
}

// FuzzPNGChunk gives the fuzzer a way past the checksums.
func FuzzPNGChunk(f *testing.F) {
	f.Add("tEXt", []byte(secret))
	f.Add("eXIf", exif(binary.BigEndian, 6))
	f.Fuzz(func(t *testing.T, kind string, content []byte) {
		if len(kind) != 4 {
			return
		}
		p, err := Strip(inPNG(asPNG(t), appendPNGChunk(nil, kind, content)))
		if err != nil {
			return
		}
		if !slices.Contains(pngChunks, kind) && kind != "eXIf" {
			require.Equal(t, asPNG(t), p.Bytes)
		}
		require.Equal(t, crc32.ChecksumIEEE([]byte("IEND")), binary.BigEndian.Uint32(p.Bytes[len(p.Bytes)-4:]))
	})
}
