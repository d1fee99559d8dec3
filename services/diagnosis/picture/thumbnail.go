package picture

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"

	"golang.org/x/image/draw"
)

const (
	// ThumbnailSide is the longer side of a thumbnail at most, pixels.
	ThumbnailSide = 320
	// thumbnailQuality is the quality of its JPEG; a design value.
	thumbnailQuality = 80
)

// Thumbnail returns a small JPEG of the decoded picture, turned as it is shown.
// What is transparent becomes white.
func (p Picture) Thumbnail(decoded image.Image) ([]byte, error) {
	stored := decoded.Bounds()
	width, height := fit(stored.Dx(), stored.Dy())
	small := image.NewRGBA(image.Rect(0, 0, width, height))
	draw.Draw(small, small.Bounds(), image.NewUniform(color.White), image.Point{}, draw.Src)
	draw.BiLinear.Scale(small, small.Bounds(), decoded, stored, draw.Over, nil)
	var out bytes.Buffer
	if err := jpeg.Encode(&out, shown{small, p.turn}, &jpeg.Options{Quality: thumbnailQuality}); err != nil {
		return nil, fmt.Errorf("thumbnail: %w", err)
	}
	return out.Bytes(), nil
}

// fit is the size of a picture that is no longer than ThumbnailSide. Small pictures
// keep theirs.
func fit(width, height int) (int, int) {
	longer := max(width, height)
	if longer <= ThumbnailSide {
		return width, height
	}
	return max(1, width*ThumbnailSide/longer), max(1, height*ThumbnailSide/longer)
}
