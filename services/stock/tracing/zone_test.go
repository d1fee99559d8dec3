package tracing

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"
)

func metres(text string) decimal.Decimal { return decimal.RequireFromString(text) }

// Zones and holds around Phytophthora ramorum: United States, APHIS Confirmed
// Nursery Protocol (hold zone around the destruction block, 90 days from the end of
// the survey; 2 m from memory); United Kingdom, Defra eradication and containment
// measures, archived 2009 (from the infected plants, 3 months).
func TestPublishedZonesOfPhytophthoraRamorum(t *testing.T) {
	us := Zones{Destroy: metres("2"), Hold: metres("10"), Around: DestructionBlock}
	uk := Zones{Destroy: metres("2"), Hold: metres("10"), Around: InfectedPlants}
	for _, row := range []struct {
		distance string
		us, uk   Zone
	}{
		{"0", DestroyZone, DestroyZone},
		{"1.5", DestroyZone, DestroyZone},
		{"9", HoldZone, HoldZone},
		{"11.5", HoldZone, Free},
		{"13", Free, Free},
		// Texts say "within", so a boundary is inside.
		{"2", DestroyZone, DestroyZone},
		{"2.000001", HoldZone, HoldZone},
		{"10", HoldZone, HoldZone},
		{"10.000001", HoldZone, Free},
		{"12", HoldZone, Free},
		{"12.000001", Free, Free},
	} {
		require.Equal(t, row.us, us.Of(Metres(metres(row.distance))), "US, %s m", row.distance)
		require.Equal(t, row.uk, uk.Of(Metres(metres(row.distance))), "UK, %s m", row.distance)
	}
	begin := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	require.Equal(t, "2026-05-30", EarliestRelease(begin, 0, 90).Format(time.DateOnly), "US, 90 days from the end of the survey")
	require.Equal(t, "2026-06-01", EarliestRelease(begin, 3, 92).Format(time.DateOnly), "UK, 3 months")
}

func TestEarliestReleaseOfAMonthWithoutThatDay(t *testing.T) {
	for begin, want := range map[string]string{
		"2026-11-30": "2027-02-28", "2027-11-30": "2028-02-29", "2026-01-31": "2026-04-30", "2026-12-31": "2027-03-31",
	} {
		day, err := time.Parse(time.DateOnly, begin)
		require.NoError(t, err)
		require.Equal(t, want, EarliestRelease(day, 3, 92).Format(time.DateOnly), begin)
	}
}

func TestALawThatSetsNoZoneHoldsNothing(t *testing.T) {
	require.Equal(t, Free, Zones{}.Of(Metres(decimal.Zero)))
	require.Equal(t, HoldZone, Zones{Hold: metres("4")}.Of(Metres(decimal.Zero)))
}

func TestDistanceBetweenBenches(t *testing.T) {
	for _, test := range []struct {
		name        string
		a, b        *Rectangle
		centimetres int64
	}{
		{"overlap", rect(0, 0, 4, 2), rect(1, 1, 4, 2), 0},
		{"touch", rect(0, 0, 4, 2), rect(4, 2, 1, 1), 0},
		{"beside along the first axis", rect(0, 0, 4, 2), rect(5.5, 0, 4, 2), 150},
		{"beside along the second axis", rect(0, 3.25, 4, 2), rect(1, 0, 1, 2), 125},
		{"corner to corner", rect(0, 0, 1, 1), rect(4, 5, 1, 1), 500},
		{"rounded up", rect(0, 0, 1, 1), rect(2, 2, 1, 1), 142},
	} {
		require.Equal(t, test.centimetres, Between(*test.a, *test.b).Centimetres(), test.name)
		require.Equal(t, test.centimetres, Between(*test.b, *test.a).Centimetres(), test.name)
	}
}

func TestBenchesCloseToEachOtherAreFoundAsByComparingEachWithEach(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	for range 200 {
		var benches []Bench
		for i := range 20 {
			benches = append(benches, Bench{ID: at("h", string(rune('a'+i))), Place: rect(float64(r.IntN(40))/2, float64(r.IntN(20))/2, float64(1+r.IntN(8))/2, 1)})
		}
		want := map[[2]BenchID]bool{}
		for i, a := range benches {
			for _, b := range benches[i+1:] {
				if Between(*a.Place, *b.Place).AtMost(NeighbourWithin) {
					want[[2]BenchID{a.ID, b.ID}] = true
				}
			}
		}
		found := map[[2]BenchID]bool{}
		for _, pair := range closePairs(benches) {
			if pair[1].compare(pair[0]) < 0 {
				pair[0], pair[1] = pair[1], pair[0]
			}
			found[pair] = true
		}
		require.Equal(t, want, found)
	}
}
