package diagnosis

import (
	"bytes"
	"fmt"
	"runtime"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"

	"velamen/services/diagnosis/climate"
	"velamen/services/diagnosis/infection"
)

// The size of the benchmark: a large nursery's logger files of ten years.
const (
	benchHouses   = 40
	benchInterval = 600
	benchWorkers  = 2
)

// BenchmarkTenYearsOfFortyHouses reads ten years of ten-minute readings of forty
// houses from CSV and runs every infection model over them, on two goroutines. The
// files are written outside the measured time.
func BenchmarkTenYearsOfFortyHouses(b *testing.B) {
	zone, err := time.LoadLocation("Europe/Amsterdam")
	require.NoError(b, err)
	from, until := time.Date(2016, 1, 1, 0, 0, 0, 0, zone), time.Date(2026, 1, 1, 0, 0, 0, 0, zone)
	for b.Loop() {
		var took time.Duration
		var readings, events int
		for first := 0; first < benchHouses; first += benchWorkers {
			b.StopTimer()
			var files [benchWorkers][]byte
			for i := range files {
				files[i] = houseFile(first+i, from, until, zone)
			}
			// What writing left behind is not what reading costs.
			runtime.GC()
			b.StartTimer()
			begun := b.Elapsed()
			var found [benchWorkers][2]int
			var group errgroup.Group
			for i, file := range files {
				group.Go(func() (err error) {
					found[i][0], found[i][1], err = runHouse(file, zone)
					return err
				})
			}
			require.NoError(b, group.Wait())
			took += b.Elapsed() - begun
			for _, f := range found {
				readings, events = readings+f[0], events+f[1]
			}
		}
		require.Greater(b, readings, 21_000_000)
		b.ReportMetric(took.Seconds(), "s/ten-years")
		b.ReportMetric(float64(readings)/took.Seconds(), "readings/s")
		b.ReportMetric(float64(events), "events")
	}
}

// runHouse reads one house's file and runs all models over it.
func runHouse(file []byte, zone *time.Location) (readings, events int, err error) {
	read, err := climate.Parse(bytes.NewReader(file), climate.Format{}, zone)
	if err != nil {
		return 0, 0, err
	}
	if read.LeftOut > 0 {
		return 0, 0, fmt.Errorf("%d lines were left out: %v", read.LeftOut, read.FaultCounts)
	}
	spans, _ := infection.Spans(read.Readings, infection.Wetting{Interval: read.IntervalSeconds})
	for _, model := range infection.Shipped() {
		events += len(model.Run(spans, zone).Events)
	}
	return len(read.Readings), events, nil
}

// houseFile writes a made-up logger's file on the local clock: seasons, days and
// nights, and noise that is the same in every run.
func houseFile(house int, from, until time.Time, zone *time.Location) []byte {
	count := (until.Unix() - from.Unix()) / benchInterval
	text := make([]byte, 0, count*30)
	text = append(text, "Date Time,Temperature (°C),Relative humidity (%)\n"...)
	noise := uint32(house)*2_654_435_761 + 1
	for i := range count {
		noise = noise*1_664_525 + 1_013_904_223
		moment := time.Unix(from.Unix()+i*benchInterval, 0).In(zone)
		// Degrees and percents in hundredths; triangles stand for sines.
		warm := triangle(int64(moment.YearDay()), 365)*6 + triangle(int64(moment.Hour()*60+moment.Minute()), 1440)*8
		temperature := 14_00 + warm + int64(noise>>24)
		humidity := 97_00 - warm*3 + int64(noise>>16&0xff)
		text = moment.AppendFormat(text, "2006-01-02 15:04")
		text = append(text, ',')
		text = appendHundredths(text, temperature)
		text = append(text, ',')
		text = appendHundredths(text, min(humidity, 100_00))
		text = append(text, '\n')
	}
	return text
}

// triangle rises from 0 to 100 in the middle of a period and falls again.
func triangle(at, period int64) int64 {
	return 100 - abs(200*at/period-100)
}

func abs(n int64) int64 {
	if n < 0 {
		return -n
	}
	return n
}

func appendHundredths(text []byte, value int64) []byte {
	text = strconv.AppendInt(text, value/100, 10)
	return append(text, '.', byte('0'+value/10%10), byte('0'+value%10))
}
