package stock_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// manyIDs returns ids in byte order.
func manyIDs(n int) []string {
	ids := make([]string, n)
	for i := range ids {
		ids[i] = fmt.Sprintf("lot-%06d", i)
	}
	return ids
}

// BenchmarkImport imports 100,000 lots on 400 benches of 20 houses into an empty
// nursery, through the wire, in one transaction.
func BenchmarkImport(b *testing.B) {
	const lots, houses, benches = 100_000, 20, 20
	var houseText, benchText, lotText strings.Builder
	houseText.WriteString("house,display_name,area,area_unit\n")
	benchText.WriteString("house,bench,display_name,area_m2\n")
	for h := range houses {
		fmt.Fprintf(&houseText, "h%d,House %d,1000,m2\n", h, h)
		for i := range benches {
			fmt.Fprintf(&benchText, "h%d,b%d,Bench %d,20\n", h, i, i)
		}
	}
	lotText.WriteString("lot,botanical_name,eppo_code,cultivar,container,growth_stage_bbch,unit_value,currency_code,house,bench,plants,origin\n")
	for i, id := range manyIDs(lots) {
		fmt.Fprintf(&lotText, "%s,Phalaenopsis amabilis,PHASS,\"Clone %d, white\",12 cm pot,61,85.50,ZAR,h%d,b%d,%d,received\n",
			id, i%500, i%houses, i/houses%benches, 1+i%900)
	}
	for b.Loop() {
		b.StopTimer()
		n := emptyNursery(b)
		b.StartTimer()
		response, err := n.importFiles(newID(), file{kind: housesFile, text: houseText.String()},
			file{kind: benchesFile, text: benchText.String()}, file{kind: lotsFile, text: lotText.String()})
		require.NoError(b, err)
		require.Equal(b, int64(lots), response.GetLots())
	}
	b.ReportMetric(lots/(b.Elapsed().Seconds()/float64(b.N)), "lots/s")
}
