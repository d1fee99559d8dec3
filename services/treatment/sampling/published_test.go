package sampling_test

import (
	"fmt"
	"math/big"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"

	"velamen/services/treatment/sampling"
)

func share(t testing.TB, text string) decimal.Decimal {
	t.Helper()
	value, err := decimal.NewFromString(text)
	require.NoError(t, err)
	return value
}

// exactSize enumerates in whole numbers, with binomial coefficients and nothing of
// the package: the least n for which C(N-D, n) / C(N, n) <= 1 - confidence.
func exactSize(plants, affected int64, confidence decimal.Decimal) int64 {
	allowed := decimal.New(1, 0).Sub(confidence).Rat()
	// C(N-D,n)/C(N,n) = C(N-n,D)/C(N,D); the fewer factors are the faster.
	whole := new(big.Int).Binomial(plants, affected)
	whole.Mul(whole, allowed.Num())
	low, high := int64(0), plants
	for high-low > 1 {
		n := (low + high) / 2
		none := new(big.Int)
		if plants-n >= affected {
			none.Binomial(plants-n, affected)
		}
		if none.Mul(none, allowed.Denom()).Cmp(whole) <= 0 {
			high = n
		} else {
			low = n
		}
	}
	return high
}

// ISPM 31, Methodologies for sampling of consignments (2008), appendix 2, from
// memory: the least sample at acceptance number 0 by lot size, at prevalences of
// 5, 2, 1, 0.5 and 0.1 %; 0 is a cell that the table leaves empty. Every value is
// also computed in whole numbers, so one that was recalled wrong fails. Cells where
// prevalence times lot is not whole are in TestPublishedISPM31CellsThatAreNotWhole.
func TestPublishedISPM31Appendix2(t *testing.T) {
	prevalences := []string{"0.05", "0.02", "0.01", "0.005", "0.001"}
	for _, table := range []struct {
		confidence string
		rows       map[int64][5]int64
	}{
		{"0.95", map[int64][5]int64{
			100:   {45, 78, 95, 0, 0},
			200:   {51, 105, 155, 190, 0},
			300:   {54, 117, 189, 0, 0},
			400:   {55, 124, 211, 311, 0},
			500:   {56, 129, 225, 0, 0},
			600:   {56, 132, 235, 379, 0},
			700:   {57, 134, 243, 0, 0},
			800:   {57, 136, 249, 421, 0},
			900:   {57, 137, 254, 0, 0},
			1000:  {57, 138, 258, 450, 950},
			2000:  {58, 143, 277, 517, 1553},
			3000:  {58, 145, 284, 542, 1895},
			4000:  {58, 146, 288, 556, 2108},
			5000:  {59, 147, 290, 564, 2253},
			6000:  {59, 147, 291, 569, 2358},
			7000:  {59, 147, 292, 573, 2437},
			8000:  {59, 147, 293, 576, 2498},
			9000:  {59, 148, 294, 579, 2548},
			10000: {59, 148, 294, 581, 2588},
			20000: {59, 148, 296, 589, 2781},
		}},
		{"0.99", map[int64][5]int64{
			100:  {59, 90, 99, 0, 0},
			200:  {73, 136, 180, 198, 0},
			300:  {78, 160, 235, 0, 0},
			400:  {81, 174, 273, 360, 0},
			500:  {83, 183, 300, 0, 0},
			1000: {86, 204, 368, 601, 990},
			2000: {88, 216, 410, 737, 1800},
			// Recalled as 842 for 0.5 %; the whole-number count gives 840, which stands.
			5000: {89, 223, 438, 840, 3009},
			// Recalled as 89 for 5 %; the whole-number count gives 90, which stands.
			10000: {90, 226, 448, 878, 3689},
			20000: {90, 227, 453, 898, 4112},
		}},
	} {
		for plants, row := range table.rows {
			for i, published := range row {
				if published == 0 {
					continue
				}
				name := fmt.Sprintf("%s confidence, %d plants, prevalence %s", table.confidence, plants, prevalences[i])
				t.Run(name, func(t *testing.T) {
					confidence := share(t, table.confidence)
					size, err := sampling.SampleSize(plants, confidence, share(t, prevalences[i]), share(t, "1"))
					require.NoError(t, err)
					require.True(t, size.Attainable)
					require.Equal(t, exactSize(plants, size.Affected, confidence), size.Plants, "whole-number count")
					require.Equal(t, published, size.Plants, "value recalled")
				})
			}
		}
	}
}

// Where prevalence times lot is not whole, the table (from memory, marked there
// with an asterisk) rounds the number of affected plants down, and asks for more.
// This package rounds it up: a prevalence of at least 0.5 % of 300 plants is at
// least 2 plants. Both numbers of affected plants give what they should.
func TestPublishedISPM31CellsThatAreNotWhole(t *testing.T) {
	confidence := share(t, "0.95")
	for _, cell := range []struct {
		plants     int64
		prevalence string
		down       int64
		published  int64
	}{
		{25, "0.05", 1, 24},
		{50, "0.05", 2, 39},
		{300, "0.005", 1, 285},
		{500, "0.005", 2, 388},
		{700, "0.005", 3, 442},
		{900, "0.005", 4, 474},
	} {
		t.Run(fmt.Sprintf("%d plants, prevalence %s", cell.plants, cell.prevalence), func(t *testing.T) {
			require.Equal(t, cell.published, exactSize(cell.plants, cell.down, confidence), "value recalled")
			roundedDown := decimal.NewFromInt(cell.down).DivRound(decimal.NewFromInt(cell.plants), 8).Truncate(6)
			size, err := sampling.SampleSize(cell.plants, confidence, roundedDown, share(t, "1"))
			require.NoError(t, err)
			require.Equal(t, cell.published, size.Plants)

			size, err = sampling.SampleSize(cell.plants, confidence, share(t, cell.prevalence), share(t, "1"))
			require.NoError(t, err)
			require.Equal(t, cell.down+1, size.Affected)
			require.Equal(t, exactSize(cell.plants, cell.down+1, confidence), size.Plants)
			require.Less(t, size.Plants, cell.published)
		})
	}
}

// ISPM 31, appendix 3, from memory: binomial, sensitivity 1.
func TestPublishedISPM31Appendix3(t *testing.T) {
	for _, row := range []struct {
		confidence, prevalence string
		published              int64
	}{
		{"0.95", "0.05", 59},
		{"0.95", "0.02", 149},
		{"0.95", "0.01", 299},
		{"0.95", "0.005", 598},
		{"0.95", "0.001", 2995},
		{"0.99", "0.05", 90},
		{"0.99", "0.02", 228},
		{"0.99", "0.01", 459},
		{"0.99", "0.005", 919},
		{"0.99", "0.001", 4603},
	} {
		t.Run(row.confidence+" "+row.prevalence, func(t *testing.T) {
			confidence, prevalence := share(t, row.confidence), share(t, row.prevalence)
			n, err := sampling.SampleSizeLarge(confidence, prevalence, share(t, "1"))
			require.NoError(t, err)
			require.Equal(t, row.published, n, "value recalled")

			clean := decimal.New(1, 0).Sub(prevalence).Rat()
			allowed := decimal.New(1, 0).Sub(confidence).Rat()
			require.LessOrEqual(t, powerOf(clean, n).Cmp(allowed), 0, "the sample is enough")
			require.Positive(t, powerOf(clean, n-1).Cmp(allowed), "one plant fewer is not")
		})
	}
}

func powerOf(value *big.Rat, n int64) *big.Rat {
	exponent := big.NewInt(n)
	return new(big.Rat).SetFrac(new(big.Int).Exp(value.Num(), exponent, nil), new(big.Int).Exp(value.Denom(), exponent, nil))
}

// Two-sided 95 % intervals after Clopper and Pearson (Biometrika 1934), values as
// textbooks and statistics programs print them, from memory. The ends here are
// rounded outward, so they may differ by one in the last place from values that are
// rounded to the nearest; the test allows that and checks the exact meaning of both
// ends itself.
func TestPublishedClopperPearson(t *testing.T) {
	for _, row := range []struct {
		affected, sampled int64
		low, high         string
	}{
		{0, 10, "0", "0.3085"},
		{1, 10, "0.0025", "0.4450"},
		{2, 10, "0.0252", "0.5561"},
		{5, 10, "0.1871", "0.8129"},
		{10, 10, "0.6915", "1"},
		{0, 20, "0", "0.1684"},
		{3, 20, "0.0321", "0.3789"},
		{0, 100, "0", "0.0362"},
		{1, 100, "0.0003", "0.0545"},
		{10, 100, "0.0490", "0.1762"},
	} {
		t.Run(fmt.Sprintf("%d of %d", row.affected, row.sampled), func(t *testing.T) {
			interval, err := sampling.Incidence(row.affected, row.sampled, share(t, "0.95"), 4)
			require.NoError(t, err)
			last := decimal.New(1, -4)
			require.True(t, interval.Low.Sub(share(t, row.low)).Abs().LessThanOrEqual(last), "low %s", interval.Low)
			require.True(t, interval.High.Sub(share(t, row.high)).Abs().LessThanOrEqual(last), "high %s", interval.High)
			requireOutward(t, row.affected, row.sampled, interval, last)
		})
	}
}

// requireOutward checks with whole numbers that each end is the outermost one that
// the tail of 2.5 % allows, on the grid of the last place.
func requireOutward(t *testing.T, affected, sampled int64, interval sampling.Interval, last decimal.Decimal) {
	t.Helper()
	tail := big.NewRat(25, 1000)
	if affected < sampled {
		require.LessOrEqual(t, between(0, affected, sampled, interval.High).Cmp(tail), 0, "high")
		require.Positive(t, between(0, affected, sampled, interval.High.Sub(last)).Cmp(tail), "high less one place")
	}
	if affected > 0 {
		require.LessOrEqual(t, between(affected, sampled, sampled, interval.Low).Cmp(tail), 0, "low")
		require.Positive(t, between(affected, sampled, sampled, interval.Low.Add(last)).Cmp(tail), "low and one place")
	}
}

// between is the exact binomial probability of first to last affected.
func between(first, last, sampled int64, prevalence decimal.Decimal) *big.Rat {
	p := prevalence.Rat()
	q := new(big.Rat).Sub(big.NewRat(1, 1), p)
	sum := new(big.Rat)
	for k := first; k <= last; k++ {
		term := new(big.Rat).SetInt(new(big.Int).Binomial(sampled, k))
		term.Mul(term, powerOf(p, k))
		sum.Add(sum, term.Mul(term, powerOf(q, sampled-k)))
	}
	return sum
}
