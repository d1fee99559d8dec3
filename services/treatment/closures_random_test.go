package treatment_test

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

// An ordinary entry is logged where the house is open at every minute of it, and nowhere
// else, whatever was applied, aired and posted before.
func TestAnOrdinaryEntryIsLoggedOnlyWhereEveryMinuteIsOpen(t *testing.T) {
	logged, refused := 0, 0
	for seed := range uint64(2) {
		r := rand.New(rand.NewPCG(seed, 11))
		n, c := openGreenhouse(t)
		n.label("two", "2")
		n.label("nine", "9")
		c.now = day0.Add(96 * time.Hour)
		minute := func(hours int) time.Time { return day0.Add(time.Duration(r.IntN(hours*60)) * time.Minute) }
		for range 3 {
			made := n.sprayed([]string{"two", "nine"}[r.IntN(2)], "g1", minute(60))
			if r.IntN(2) == 0 {
				_, err := n.give(noticeOf(made, "g1", "signs-up"), made.GetStartTime().AsTime().Add(-time.Hour))
				require.NoError(t, err)
				if r.IntN(2) == 0 {
					_, err = n.give(noticeOf(made, "g1", "signs-down"), made.GetEndTime().AsTime().Add(10*time.Hour))
					require.NoError(t, err)
				}
			}
		}
		for range 4 {
			start := minute(60)
			// One that does not go with the others is refused; that is tested elsewhere.
			_, _ = n.treatment.RecordAiring(asWorker(), &treatmentv1.RecordAiringRequest{Parent: name("houses/g1"), RequestId: id(), Airing: &treatmentv1.Airing{
				Device: []treatmentv1.AiringDevice{vents, shut}[r.IntN(2)], StartTime: timestamppb.New(start), EndTime: timestamppb.New(start.Add(time.Duration(1+r.IntN(300)) * time.Minute)),
			}})
		}
		premises := n.premises(day0.Add(-48 * time.Hour))
		for range 25 {
			start := minute(90)
			end := start.Add(time.Duration(1+r.IntN(120)) * time.Minute)
			open := true
			for at := start; at.Before(end); at = at.Add(time.Minute) {
				open = open && premises.Nursery.At(slices.Clone(premises.Applications), slices.Clone(premises.Airings), "g1", at).Open()
			}
			_, err := n.enter(asWorker(), &treatmentv1.HouseEntry{Kind: ordinary, Purpose: "water", StartTime: timestamppb.New(start), EndTime: timestamppb.New(end)})
			if open {
				logged++
				require.NoError(t, err, "seed %d: %s to %s is open", seed, start, end)
				continue
			}
			refused++
			require.Error(t, err, "seed %d: %s to %s touches a closure", seed, start, end)
		}
	}
	require.Greater(t, logged, 3)
	require.Greater(t, refused, 3, "a property of nothing proves nothing")
}
