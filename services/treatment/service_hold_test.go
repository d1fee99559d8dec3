package treatment_test

import (
	"context"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
	"velamen/services/stock"
)

// restrict has an authority hold lots, as the command through the outbox does.
func (n *nursery) restrict(duty string, noMasking bool, from time.Time, lots ...string) {
	n.t.Helper()
	n.send(duty, stock.Restrict{Duty: duty, Lots: lots, NoMasking: noMasking, Disorder: "black-rot", Time: from})
}

// restrictFor is restrict for another disorder.
func (n *nursery) restrictFor(disorder, duty string, from time.Time, lots ...string) {
	n.t.Helper()
	n.send(duty, stock.Restrict{Duty: duty, Lots: lots, Disorder: disorder, Time: from})
}

func (n *nursery) send(duty string, command stock.Restrict) {
	n.t.Helper()
	require.NoError(n.t, n.db.InTx(context.Background(), func(tx pgx.Tx) error {
		return n.outbox.Write(context.Background(), tx, stock.TopicRestrict, "test", duty, command)
	}))
	n.drain()
}

func TestALotThatAnAuthorityHoldsIsIsolatedWhereItStands(t *testing.T) {
	n, _ := openNursery(t)
	program := n.start("phyllosticta-leaf-spot", "leaf-spots")
	duty := name("duties/d-1")
	n.restrict(duty, false, day0, program.GetLots()...)
	_, err := n.confirm(program.GetName(), "isolate-1", did("isolate", day0))
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.LotOfficiallyHeld)
	require.ErrorContains(t, err, duty)

	_, err = n.stock.UpdateBench(asManager(), &stockv1.UpdateBenchRequest{
		Bench: &stockv1.Bench{Name: name("houses/h1/benches/b1"), Isolation: true}, RequestId: id(),
	})
	require.NoError(t, err)
	here := did("isolate", day0)
	here.Bench = name("houses/h1/benches/b1")
	_, err = n.confirm(program.GetName(), "isolate-1", here)
	require.NoError(t, err)
}

func TestNothingMasksSignsOnAHeldLot(t *testing.T) {
	n, _ := openNursery(t)
	held, free := n.newLot(), n.newLot()
	n.restrict(name("duties/d-1"), true, day0.Add(-time.Hour), held)
	against := func(lot, product, disorder string) *treatmentv1.ProposedApplication {
		application := proposed(lot, product, "10", day0)
		application.Disorder = disorder
		return application
	}
	require.Contains(t, refused(n.check(against(held, "fose", "black-rot")).GetVerdicts()), "official-hold-masking")
	require.NotContains(t, refused(n.check(against(free, "fose", "black-rot")).GetVerdicts()), "official-hold-masking")
	require.NotContains(t, refused(n.check(against(held, "thio", "phyllosticta-leaf-spot")).GetVerdicts()), "official-hold-masking")

	require.NoError(t, n.db.InTx(context.Background(), func(tx pgx.Tx) error {
		return n.outbox.Write(context.Background(), tx, stock.TopicUnrestrict, "test", name("duties/d-1"), stock.Unrestrict{Duty: name("duties/d-1")})
	}))
	n.drain()
	later := against(held, "fose", "black-rot")
	later.StartTime = timestamppb.New(day0.AddDate(20, 0, 0))
	require.NotContains(t, refused(n.check(later).GetVerdicts()), "official-hold-masking", "the hold has ended")
	require.Contains(t, refused(n.check(against(held, "fose", "black-rot")).GetVerdicts()), "official-hold-masking", "it lasted then")
}
