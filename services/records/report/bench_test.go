package report

import (
	"fmt"
	"testing"
	"time"
)

// BenchmarkAYearOfUses lays out and writes 2,000 uses of 20 houses in one record.
func BenchmarkAYearOfUses(b *testing.B) {
	nairobi, err := time.LoadLocation("Africa/Nairobi")
	if err != nil {
		b.Fatal(err)
	}
	nursery := Nursery{Name: "nurseries/test", DisplayName: "Test", Jurisdiction: "KE", Zone: nairobi}
	kind, err := Find("house-record")
	if err != nil {
		b.Fatal(err)
	}
	period, err := Days("2026-01-01", "2026-12-31", nairobi)
	if err != nil {
		b.Fatal(err)
	}
	uses := make([]Use, 2000)
	for i := range uses {
		start := period.begin.Add(time.Duration(i) * 4 * time.Hour)
		uses[i] = Use{
			Entry: fmt.Sprintf("nurseries/test/entries/%d", i), Application: fmt.Sprintf("nurseries/test/applications/a%d", i),
			House: fmt.Sprintf("nurseries/test/houses/h%d", i%20), Start: start, End: start.Add(time.Hour),
			Actives: []Active{{Name: "thiophanate-methyl", FRAC: "1"}},
		}
	}
	for _, format := range Formats() {
		b.Run(string(format), func(b *testing.B) {
			for b.Loop() {
				document, err := Build(kind, nursery, period, uses)
				if err != nil {
					b.Fatal(err)
				}
				if _, err := Write(document, format); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
