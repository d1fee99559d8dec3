package climate_test

import (
	"bytes"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/services/diagnosis/climate"
)

// BenchmarkParse reads one year of ten-minute readings.
func BenchmarkParse(b *testing.B) {
	nursery := zone(b, "Europe/Amsterdam")
	const year = 52_560
	text := []byte(series{celsius, time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC), year, "2006-01-02 15:04", nursery, mild}.String())
	b.ReportAllocs()
	for b.Loop() {
		file, err := climate.Parse(bytes.NewReader(text), climate.Format{}, nursery)
		require.NoError(b, err)
		require.Len(b, file.Readings, year)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/year, "ns/line")
}
