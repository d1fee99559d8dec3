package sampling_test

import (
	"fmt"
	"math/big"
	"math/bits"
	"math/rand/v2"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"

	"velamen/internal/fault"
	"velamen/services/treatment/sampling"
)

// missBySubsets walks over every subset of the plants as the sample: the first
// plants are the affected ones.
func missBySubsets(plants, affected, sampled int64, sensitivity decimal.Decimal) *big.Rat {
	overlooked := decimal.New(1, 0).Sub(sensitivity).Rat()
	sum, samples := new(big.Rat), int64(0)
	for sample := uint64(0); sample < 1<<plants; sample++ {
		if int64(bits.OnesCount64(sample)) != sampled {
			continue
		}
		samples++
		caught := int64(bits.OnesCount64(sample & (1<<affected - 1)))
		sum.Add(sum, powerOf(overlooked, caught))
	}
	return sum.Quo(sum, new(big.Rat).SetInt64(samples))
}

// missBySum is the defining sum with binomial coefficients.
func missBySum(plants, affected, sampled int64, sensitivity decimal.Decimal) *big.Rat {
	overlooked := decimal.New(1, 0).Sub(sensitivity).Rat()
	sum := new(big.Rat)
	for k := max(0, sampled-(plants-affected)); k <= min(sampled, affected); k++ {
		ways := new(big.Int).Binomial(affected, k)
		ways.Mul(ways, new(big.Int).Binomial(plants-affected, sampled-k))
		sum.Add(sum, new(big.Rat).Mul(new(big.Rat).SetInt(ways), powerOf(overlooked, k)))
	}
	return sum.Quo(sum, new(big.Rat).SetInt(new(big.Int).Binomial(plants, sampled)))
}

// roundedDown is 1 less the probability, rounded down to 6 places.
func roundedDown(miss *big.Rat) string {
	rest := new(big.Rat).Sub(big.NewRat(1, 1), miss)
	millionths := new(big.Int).Mul(rest.Num(), big.NewInt(1_000_000))
	return decimal.NewFromBigInt(millionths.Quo(millionths, rest.Denom()), -6).String()
}

func TestConfidenceIsThatOfEverySubset(t *testing.T) {
	for plants := int64(1); plants <= 9; plants++ {
		for affected := int64(1); affected <= plants; affected++ {
			for sampled := int64(1); sampled <= plants; sampled++ {
				for _, text := range []string{"1", "0.8", "0.333333", "0.01"} {
					sensitivity := share(t, text)
					miss := missBySubsets(plants, affected, sampled, sensitivity)
					require.Zero(t, miss.Cmp(missBySum(plants, affected, sampled, sensitivity)))
					reached, err := sampling.ConfidenceReached(affected, sampling.Look{Plants: plants, Sampled: sampled, Sensitivity: sensitivity})
					require.NoError(t, err)
					require.Equal(t, roundedDown(miss), reached.String(), "%d plants, %d affected, %d sampled, sensitivity %s", plants, affected, sampled, text)
				}
			}
		}
	}
}

func randomShare(random *rand.Rand, least, most int64) decimal.Decimal {
	return decimal.New(least+random.Int64N(most-least+1), -6)
}

func TestNeverClaimsOtherThanTheExactSum(t *testing.T) {
	random := rand.New(rand.NewPCG(31, 2008))
	one := decimal.New(1, 0)
	for range 400 {
		plants := 1 + random.Int64N(120)
		confidence := randomShare(random, 1, 999_999)
		prevalence := randomShare(random, 1, 1_000_000)
		sensitivity := randomShare(random, 10_000, 1_000_000)
		allowed := one.Sub(confidence).Rat()

		size, err := sampling.SampleSize(plants, confidence, prevalence, sensitivity)
		require.NoError(t, err)
		enough := func(n int64) bool { return missBySum(plants, size.Affected, n, sensitivity).Cmp(allowed) <= 0 }
		require.Equal(t, enough(plants), size.Attainable)
		if size.Attainable {
			require.True(t, enough(size.Plants))
			require.False(t, size.Plants > 1 && enough(size.Plants-1), "a smaller sample is enough")
			require.True(t, size.Confidence.GreaterThanOrEqual(confidence))
		}

		sampled := 1 + random.Int64N(plants)
		ruling, err := sampling.RuledOut(confidence, sampling.Look{Plants: plants, Sampled: sampled, Sensitivity: sensitivity})
		require.NoError(t, err)
		excluded := func(d int64) bool { return missBySum(plants, d, sampled, sensitivity).Cmp(allowed) <= 0 }
		require.Equal(t, excluded(plants), ruling.Possible)
		if ruling.Possible {
			require.True(t, excluded(ruling.Affected))
			require.False(t, ruling.Affected > 1 && excluded(ruling.Affected-1), "fewer are ruled out")
			back, err := sampling.AffectedPlants(plants, ruling.Prevalence)
			require.NoError(t, err)
			require.GreaterOrEqual(t, back, ruling.Affected, "the share never claims more than the count")
		}
	}
}

func TestSampleSizeIsMonotone(t *testing.T) {
	random := rand.New(rand.NewPCG(2, 9))
	sizeOf := func(plants int64, confidence, prevalence, sensitivity decimal.Decimal) int64 {
		size, err := sampling.SampleSize(plants, confidence, prevalence, sensitivity)
		require.NoError(t, err)
		if !size.Attainable {
			return size.Plants + 1
		}
		return size.Plants
	}
	for range 300 {
		plants := 2 + random.Int64N(50_000)
		confidence, more := randomShare(random, 1, 900_000), decimal.New(1+random.Int64N(99_998), -6)
		prevalence := randomShare(random, 1_000, 500_000)
		sensitivity := randomShare(random, 10_000, 900_000)
		size := sizeOf(plants, confidence, prevalence, sensitivity)

		require.GreaterOrEqual(t, sizeOf(plants, confidence.Add(more), prevalence, sensitivity), size, "more confidence needs no fewer plants")
		require.LessOrEqual(t, sizeOf(plants, confidence, prevalence.Mul(decimal.New(2, 0)), sensitivity), size, "a higher prevalence needs no more plants")
		require.LessOrEqual(t, sizeOf(plants, confidence, prevalence, sensitivity.Add(more)), size, "a sharper eye needs no more plants")

		large, err := sampling.SampleSizeLarge(confidence, prevalence, sensitivity)
		require.NoError(t, err)
		if size <= plants {
			require.LessOrEqual(t, size, large, "lots never need more than a large population")
		}
		// Between lots of which prevalence makes a whole number, larger ones need no
		// fewer plants.
		whole := prevalence.Round(2)
		if whole.IsPositive() {
			require.GreaterOrEqual(t,
				sizeOf(100*(plants+1), confidence, whole, sensitivity),
				min(sizeOf(100*plants, confidence, whole, sensitivity), 100*plants), "larger lots")
		}
	}
}

func TestReverseAgreesWithForward(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 7))
	for range 300 {
		plants := 1 + random.Int64N(20_000)
		confidence := randomShare(random, 500_000, 999_999)
		prevalence := randomShare(random, 1_000, 1_000_000)
		sensitivity := randomShare(random, 100_000, 1_000_000)
		size, err := sampling.SampleSize(plants, confidence, prevalence, sensitivity)
		require.NoError(t, err)
		look := sampling.Look{Plants: plants, Sampled: size.Plants, Sensitivity: sensitivity}
		ruling, err := sampling.RuledOut(confidence, look)
		require.NoError(t, err)
		reached, err := sampling.ConfidenceReached(size.Affected, look)
		require.NoError(t, err)
		require.True(t, reached.Equal(size.Confidence))
		if !size.Attainable {
			require.False(t, ruling.Possible && ruling.Affected <= size.Affected)
			continue
		}
		require.True(t, ruling.Possible)
		require.LessOrEqual(t, ruling.Affected, size.Affected)
		if size.Plants > 1 {
			look.Sampled--
			fewer, err := sampling.RuledOut(confidence, look)
			require.NoError(t, err)
			require.False(t, fewer.Possible && fewer.Affected <= size.Affected, "one plant fewer rules it out as well")
		}
	}
}

func TestLooksMultiply(t *testing.T) {
	random := rand.New(rand.NewPCG(11, 13))
	for range 200 {
		affected := 1 + random.Int64N(5)
		miss := big.NewRat(1, 1)
		var looks []sampling.Look
		for range 1 + random.IntN(4) {
			plants := affected + random.Int64N(60)
			look := sampling.Look{Plants: plants, Sampled: 1 + random.Int64N(plants), Sensitivity: randomShare(random, 10_000, 1_000_000)}
			looks = append(looks, look)
			miss.Mul(miss, missBySum(plants, affected, look.Sampled, look.Sensitivity))
		}
		reached, err := sampling.ConfidenceReached(affected, looks...)
		require.NoError(t, err)
		require.Equal(t, roundedDown(miss), reached.String())
	}
}

// Lots of thousands, where the bounds decide and not the whole numbers, at sizes
// that leave a probability worth a comparison.
func TestConfidenceInLargerLotsIsTheExactSum(t *testing.T) {
	random := rand.New(rand.NewPCG(37, 41))
	for range 60 {
		plants := 1_000 + random.Int64N(4_000)
		affected := 1 + random.Int64N(plants/2)
		sampled := min(plants, 1+random.Int64N(1+12*plants/affected))
		if random.IntN(2) == 0 {
			affected, sampled = sampled, affected
		}
		sensitivity := randomShare(random, 10_000, 1_000_000)
		reached, err := sampling.ConfidenceReached(affected, sampling.Look{Plants: plants, Sampled: sampled, Sensitivity: sensitivity})
		require.NoError(t, err)
		want := roundedDown(missBySum(plants, affected, sampled, sensitivity))
		require.Equal(t, want, reached.String(), "%d plants, %d affected, %d sampled, sensitivity %s", plants, affected, sampled, sensitivity)
	}
}

func TestTwoLooksAtEveryPlant(t *testing.T) {
	combined, err := sampling.CombinedSensitivity(share(t, "0.8"), share(t, "0.8"))
	require.NoError(t, err)
	require.Equal(t, "0.96", combined.String())

	census := sampling.Look{Plants: 200, Sampled: 200, Sensitivity: share(t, "0.8")}
	single, err := sampling.RuledOut(share(t, "0.95"), census)
	require.NoError(t, err)
	require.EqualValues(t, 2, single.Affected, "one look at 80 % rules out two, not one")
	require.Equal(t, "0.01", single.Prevalence.String())

	double, err := sampling.RuledOut(share(t, "0.95"), census, census)
	require.NoError(t, err)
	require.EqualValues(t, 1, double.Affected, "two looks rule out even one")

	reached, err := sampling.ConfidenceReached(1, census, census)
	require.NoError(t, err)
	require.Equal(t, "0.96", reached.String())
}

func TestEvenEveryPlantIsNotEnough(t *testing.T) {
	size, err := sampling.SampleSize(20, share(t, "0.95"), share(t, "0.05"), share(t, "0.8"))
	require.NoError(t, err)
	require.False(t, size.Attainable)
	require.EqualValues(t, 20, size.Plants)
	require.Equal(t, "0.8", size.Confidence.String())

	ruling, err := sampling.RuledOut(share(t, "0.99"), sampling.Look{Plants: 2, Sampled: 2, Sensitivity: share(t, "0.8")})
	require.NoError(t, err)
	require.False(t, ruling.Possible, "both affected plants are overlooked with 4 %%")
}

// The shortcut divides the sample for full sensitivity by the sensitivity: 78 of
// 100 plants at 2 % become 98, of which one is not needed; and at a sensitivity of
// 77.7 % they become 101, more than the lots have, where all 100 are enough.
func TestExactSensitivityIsNotTheShortcut(t *testing.T) {
	for _, row := range []struct {
		sensitivity string
		plants      int64
	}{{"1", 78}, {"0.8", 97}, {"0.777", 100}} {
		size, err := sampling.SampleSize(100, share(t, "0.95"), share(t, "0.02"), share(t, row.sensitivity))
		require.NoError(t, err)
		require.True(t, size.Attainable)
		require.Equal(t, row.plants, size.Plants)
	}
}

func TestLimitsAreDecidedExactly(t *testing.T) {
	// 19 of 20 plants see the one affected with exactly 95 %.
	size, err := sampling.SampleSize(20, share(t, "0.95"), share(t, "0.05"), share(t, "1"))
	require.NoError(t, err)
	require.EqualValues(t, 19, size.Plants)
	size, err = sampling.SampleSize(20, share(t, "0.950001"), share(t, "0.05"), share(t, "1"))
	require.NoError(t, err)
	require.EqualValues(t, 20, size.Plants)
	require.Equal(t, "1", size.Confidence.String(), "looking at all with sensitivity 1 is certain")

	size, err = sampling.SampleSize(sampling.MaxPlants, share(t, "0.95"), share(t, "0.0000001").Add(share(t, "0.000001")).Truncate(6), share(t, "1"))
	require.NoError(t, err)
	require.EqualValues(t, 10, size.Affected)
	n, err := sampling.SampleSizeLarge(share(t, "0.75"), share(t, "0.5"), share(t, "1"))
	require.NoError(t, err)
	require.EqualValues(t, 2, n)
	ruling, err := sampling.RuledOutLarge(2, share(t, "0.75"), share(t, "1"))
	require.NoError(t, err)
	require.Equal(t, "0.5", ruling.Prevalence.String())
}

func TestRuledOutLargeIsTheLeastMillionth(t *testing.T) {
	random := rand.New(rand.NewPCG(17, 19))
	one := decimal.New(1, 0)
	for range 200 {
		n := 1 + random.Int64N(300)
		confidence, sensitivity := randomShare(random, 1, 999_999), randomShare(random, 10_000, 1_000_000)
		ruling, err := sampling.RuledOutLarge(n, confidence, sensitivity)
		require.NoError(t, err)
		excluded := func(prevalence decimal.Decimal) bool {
			return powerOf(one.Sub(prevalence.Mul(sensitivity)).Rat(), n).Cmp(one.Sub(confidence).Rat()) <= 0
		}
		require.Equal(t, excluded(one), ruling.Possible)
		if ruling.Possible {
			require.True(t, excluded(ruling.Prevalence))
			require.False(t, excluded(ruling.Prevalence.Sub(decimal.New(1, -6))))
		}
	}
}

func TestLargeLotsBehaveLikeALargePopulation(t *testing.T) {
	for _, row := range []struct{ prevalence, sensitivity string }{{"0.05", "1"}, {"0.01", "0.8"}, {"0.001", "0.5"}} {
		size, err := sampling.SampleSize(sampling.MaxPlants, share(t, "0.95"), share(t, row.prevalence), share(t, row.sensitivity))
		require.NoError(t, err)
		large, err := sampling.SampleSizeLarge(share(t, "0.95"), share(t, row.prevalence), share(t, row.sensitivity))
		require.NoError(t, err)
		require.LessOrEqual(t, size.Plants, large)
		require.GreaterOrEqual(t, size.Plants, large-large/1000-1)
	}
}

func TestBadInputNamesTheField(t *testing.T) {
	ok, half := share(t, "0.95"), share(t, "0.5")
	sizeWith := func(plants int64, confidence, prevalence, sensitivity string) error {
		_, err := sampling.SampleSize(plants, share(t, confidence), share(t, prevalence), share(t, sensitivity))
		return err
	}
	lookWith := func(plants, sampled int64, sensitivity string) error {
		_, err := sampling.RuledOut(ok, sampling.Look{Plants: plants, Sampled: sampled, Sensitivity: share(t, sensitivity)})
		return err
	}
	second := func(_ any, err error) error { return err }
	for _, row := range []struct {
		name, field string
		err         error
	}{
		{"no plants", "plants", sizeWith(0, "0.95", "0.05", "1")},
		{"too many plants", "plants", sizeWith(sampling.MaxPlants+1, "0.95", "0.05", "1")},
		{"no confidence", "confidence", sizeWith(100, "0", "0.05", "1")},
		{"certainty", "confidence", sizeWith(100, "1", "0.05", "1")},
		{"percent for share", "confidence", sizeWith(100, "95", "0.05", "1")},
		{"too fine", "confidence", sizeWith(100, "0.9500001", "0.05", "1")},
		{"exhausting", "confidence", second(sampling.SampleSizeLarge(decimal.New(1, 999_999_999), half, half))},
		{"exhausting small", "confidence", second(sampling.SampleSizeLarge(decimal.New(1, -999_999_999), half, half))},
		{"no prevalence", "prevalence", sizeWith(100, "0.95", "0", "1")},
		{"negative prevalence", "prevalence", sizeWith(100, "0.95", "-0.05", "1")},
		{"more than all", "prevalence", sizeWith(100, "0.95", "1.01", "1")},
		{"blind", "sensitivity", sizeWith(100, "0.95", "0.05", "0")},
		{"sees more than there is", "sensitivity", sizeWith(100, "0.95", "0.05", "1.1")},
		{"large, confidence", "confidence", second(sampling.SampleSizeLarge(decimal.Decimal{}, half, half))},
		{"large, prevalence", "prevalence", second(sampling.SampleSizeLarge(half, decimal.Decimal{}, half))},
		{"large, sensitivity", "sensitivity", second(sampling.SampleSizeLarge(half, half, decimal.Decimal{}))},
		{"ruled out, confidence", "confidence", second(sampling.RuledOut(decimal.Decimal{}))},
		{"no looks", "looks", second(sampling.RuledOut(ok))},
		{"look without plants", "looks[0].plants", lookWith(0, 1, "1")},
		{"sample above the lots", "looks[0].sampled", lookWith(10, 11, "1")},
		{"sample of none", "looks[0].sampled", lookWith(10, 0, "1")},
		{"blind look", "looks[0].sensitivity", lookWith(10, 10, "0")},
		{"large look of none", "sampled", second(sampling.RuledOutLarge(0, half, half))},
		{"large look, confidence", "confidence", second(sampling.RuledOutLarge(9, decimal.Decimal{}, half))},
		{"large look, sensitivity", "sensitivity", second(sampling.RuledOutLarge(9, half, decimal.Decimal{}))},
		{"reached without looks", "looks", second(sampling.ConfidenceReached(1))},
		{"reached for none", "affected", second(sampling.ConfidenceReached(0, sampling.Look{Plants: 9, Sampled: 9, Sensitivity: half}))},
		{"reached for more than all", "affected", second(sampling.ConfidenceReached(10, sampling.Look{Plants: 9, Sampled: 9, Sensitivity: half}))},
		{"nothing to combine", "sensitivities", second(sampling.CombinedSensitivity())},
		{"blind among combined", "sensitivities", second(sampling.CombinedSensitivity(half, decimal.Decimal{}))},
		{"incidence of none", "sampled", second(sampling.Incidence(0, 0, ok, 4))},
		{"more affected than sampled", "affected", second(sampling.Incidence(3, 2, ok, 4))},
		{"incidence, confidence", "confidence", second(sampling.Incidence(1, 2, decimal.New(1, 0), 4))},
		{"no places", "places", second(sampling.Incidence(1, 2, ok, 0))},
		{"lots without plants", "plants", second(sampling.IncidenceOf(0, 1, 0, ok))},
		{"more sampled than lots", "sampled", second(sampling.IncidenceOf(0, 3, 2, ok))},
		{"negative affected", "affected", second(sampling.IncidenceOf(-1, 2, 2, ok))},
	} {
		t.Run(row.name, func(t *testing.T) {
			f, ok := fault.As(row.err)
			require.True(t, ok, "%v", row.err)
			require.Equal(t, row.field, f.Field)
			require.Equal(t, fault.Invalid, f.Kind)
			require.NotEmpty(t, f.Message)
		})
	}
}

func TestIncidenceEndsAreOutward(t *testing.T) {
	random := rand.New(rand.NewPCG(23, 29))
	last := decimal.New(1, -5)
	for range 60 {
		sampled := 1 + random.Int64N(80)
		affected := random.Int64N(sampled + 1)
		interval, err := sampling.Incidence(affected, sampled, share(t, "0.95"), 5)
		require.NoError(t, err)
		requireOutward(t, affected, sampled, interval, last)
		point := decimal.NewFromInt(affected).DivRound(decimal.NewFromInt(sampled), 12)
		require.True(t, interval.Low.LessThanOrEqual(point) && interval.High.GreaterThanOrEqual(point.Truncate(11)))
	}
}

// The interval holds exactly the numbers of affected plants under which neither
// tail is at most half of what the confidence leaves, by enumeration.
func TestIncidenceOfIsEveryNumberThatIsNotRefused(t *testing.T) {
	tail := big.NewRat(25, 1000)
	for plants := int64(1); plants <= 24; plants++ {
		for sampled := int64(1); sampled <= plants; sampled++ {
			for affected := int64(0); affected <= sampled; affected++ {
				interval, err := sampling.IncidenceOf(affected, sampled, plants, share(t, "0.95"))
				require.NoError(t, err)
				for d := int64(0); d <= plants; d++ {
					inside := d >= interval.Low && d <= interval.High
					few, many := tailsOf(plants, d, sampled, affected)
					kept := few.Cmp(tail) > 0 && many.Cmp(tail) > 0
					require.Equal(t, kept, inside, "%d of %d of %d, %d affected in all: %v", affected, sampled, plants, d, interval)
				}
			}
		}
	}
}

// tailsOf is the probability of at most, and of at least, so many affected.
func tailsOf(plants, affected, sampled, found int64) (few, many *big.Rat) {
	few, many = new(big.Rat), new(big.Rat)
	whole := new(big.Int).Binomial(plants, sampled)
	for k := int64(0); k <= sampled; k++ {
		if k > affected || sampled-k > plants-affected {
			continue
		}
		ways := new(big.Int).Binomial(affected, k)
		ways.Mul(ways, new(big.Int).Binomial(plants-affected, sampled-k))
		if k <= found {
			few.Add(few, new(big.Rat).SetFrac(ways, whole))
		}
		if k >= found {
			many.Add(many, new(big.Rat).SetFrac(ways, whole))
		}
	}
	return few, many
}

func TestIncidenceOfLargeLotsIsWithinThatOfALargePopulation(t *testing.T) {
	interval, err := sampling.IncidenceOf(30, 1000, 1_000_000, share(t, "0.95"))
	require.NoError(t, err)
	large, err := sampling.Incidence(30, 1000, share(t, "0.95"), 6)
	require.NoError(t, err)
	require.GreaterOrEqual(t, decimal.New(interval.Low, -6).Cmp(large.Low), 0)
	require.LessOrEqual(t, decimal.New(interval.High, -6).Cmp(large.High), 0)
	require.Less(t, large.High.Sub(decimal.New(interval.High, -6)).Cmp(share(t, "0.0001")), 0)
}

func BenchmarkSampleSize(b *testing.B) {
	for _, row := range []struct{ prevalence, sensitivity string }{
		{"0.05", "0.8"}, {"0.01", "1"}, {"0.0001", "0.8"}, {"0.000001", "0.8"}, {"0.0005", "0.01"},
	} {
		prevalence, sensitivity, confidence := share(b, row.prevalence), share(b, row.sensitivity), share(b, "0.95")
		b.Run(fmt.Sprintf("10000000 plants, prevalence %s, sensitivity %s", row.prevalence, row.sensitivity), func(b *testing.B) {
			for b.Loop() {
				if _, err := sampling.SampleSize(sampling.MaxPlants, confidence, prevalence, sensitivity); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkRuledOut(b *testing.B) {
	confidence, sensitivity := share(b, "0.95"), share(b, "0.8")
	for _, sampled := range []int64{300, 5_000, 100_000, sampling.MaxPlants} {
		look := sampling.Look{Plants: sampling.MaxPlants, Sampled: sampled, Sensitivity: sensitivity}
		b.Run(fmt.Sprintf("%d of 10000000 plants", sampled), func(b *testing.B) {
			for b.Loop() {
				if _, err := sampling.RuledOut(confidence, look, look); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkIncidence(b *testing.B) {
	confidence := share(b, "0.95")
	b.Run("5000 of 100000 sampled", func(b *testing.B) {
		for b.Loop() {
			if _, err := sampling.Incidence(5_000, 100_000, confidence, 6); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("50 of 1000 sampled of 10000000", func(b *testing.B) {
		for b.Loop() {
			if _, err := sampling.IncidenceOf(50, 1_000, sampling.MaxPlants, confidence); err != nil {
				b.Fatal(err)
			}
		}
	})
}
