package rotation

import (
	"context"
	"fmt"
	"math/rand/v2"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/treatment/rules"
)

// hardSeason has so many products whose labels limit so much that whether a rotation
// of 60 applications exists is hard to tell.
func hardSeason(seed uint64, stocked int) Request {
	random := rand.New(rand.NewPCG(seed, 1))
	request := season(mostApplications, 14)
	request.Application.Disorder = []string{"rust", "grey-mould", "powdery-mildew"}[seed%3]
	for i := range stocked {
		held := []string{actives[random.IntN(len(actives))]}
		if other := actives[random.IntN(len(actives))]; random.IntN(3) == 0 && other != held[0] {
			held = append(held, other)
		}
		one := product(fmt.Sprintf("p%02d", i), held...)
		d := &one.Product.Directions[0]
		d.MaxPerYear = []int32{2, 3}[random.IntN(2)]
		d.MaxPerCropCycle = []int32{0, 0, 5, 8}[random.IntN(4)]
		d.MinIntervalDays = []int32{14, 21, 28}[random.IntN(3)]
		d.MaxConsecutive = []int32{0, 0, 1, 2}[random.IntN(4)]
		request.Products = append(request.Products, one)
	}
	return request
}

// crowded gives a season many lots, each with a past of its own.
func crowded(request Request, lots int) Request {
	random := rand.New(rand.NewPCG(31, 32))
	request.Application.Lots, request.History = nil, rules.History{}
	for i := range lots {
		lot := rules.Lot{ID: fmt.Sprintf("lot-%d", i), BotanicalName: "Phalaenopsis amabilis", House: "north"}
		request.Application.Lots = append(request.Application.Lots, lot)
		for before := 200 + random.IntN(200); before > 20; before -= 20 + random.IntN(60) {
			request.History[lot.ID] = append(request.History[lot.ID], sprayed(before, actives[random.IntN(len(actives))]))
		}
	}
	return request
}

// BenchmarkLayAHardSeason is the longest that a valid request may take.
func BenchmarkLayAHardSeason(b *testing.B) {
	for name, request := range map[string]Request{
		"12 products":            hardSeason(1, 12),
		"13 products":            hardSeason(4, 13),
		"100 products":           hardSeason(1, mostCandidates),
		"12 products, 200 lots":  crowded(hardSeason(1, 12), 200),
		"100 products, 200 lots": crowded(hardSeason(1, mostCandidates), 200),
	} {
		b.Run(name, func(b *testing.B) {
			unsettled := 0
			for b.Loop() {
				// A search that ends early is an answer too, and the slowest.
				if _, err := Lay(b.Context(), request); err != nil {
					require.Equal(b, "to_date", fieldOf(b, err))
					unsettled++
				}
			}
			b.ReportMetric(float64(unsettled)/float64(b.N), "unsettled/op")
		})
	}
}

// countdown is a context that ends after it was asked so many times.
type countdown struct {
	context.Context
	left atomic.Int64
}

func (c *countdown) Err() error {
	if c.left.Add(-1) < 0 {
		return context.Canceled
	}
	return nil
}

func TestASearchStopsSoonAfterNobodyWaitsForIt(t *testing.T) {
	request := hardSeason(1, 12)
	for _, left := range []int64{0, 5, 13, 25, 26, 100, 1000, 3000} {
		ctx := &countdown{Context: t.Context()}
		ctx.left.Store(left)
		plan, err := Lay(ctx, request)
		require.ErrorIs(t, err, context.Canceled, "after %d questions", left)
		require.Empty(t, plan.Applications)
		// What was on its way is wound up: a few questions more, no new beginning each.
		require.Greater(t, ctx.left.Load(), int64(-2000), "after %d questions", left)
	}
}

func TestMoreProductsThanAPlanChoosesAmongAreRefused(t *testing.T) {
	_, err := Lay(t.Context(), hardSeason(1, mostCandidates+1))
	require.Equal(t, "products", fieldOf(t, err))
}
