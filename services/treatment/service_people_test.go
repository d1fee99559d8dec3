package treatment_test

import (
	"context"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	identityv1 "velamen/gen/velamen/identity/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
	"velamen/services/identity"
	"velamen/services/treatment"
)

// moveTo puts the nursery and its products under another law.
func (n *nursery) moveTo(law string) {
	n.t.Helper()
	n.exec(`UPDATE identity.nursery SET jurisdiction = $1`, law)
	n.exec(`UPDATE products.product SET jurisdiction = $1`, law)
}

func (n *nursery) exec(sql string, args ...any) {
	n.t.Helper()
	require.NoError(n.t, n.db.InTx(context.Background(), func(tx pgx.Tx) error {
		_, err := tx.Exec(context.Background(), sql, args...)
		return err
	}))
}

// qualified records what a person was given, until a day.
func (n *nursery) qualified(person string, kind identityv1.QualificationKind, day, end string) {
	n.t.Helper()
	n.exec(`INSERT INTO identity.qualification (nursery, person, id, kind, date, end_date, description, provider, recorder, create_time)
		VALUES ('test', $1, $2, $3, $4::text::date, nullif($5::text, '')::date, 'a course', 'a trainer', 'olwen', now())`,
		person, id(), kind.String()[len("QUALIFICATION_KIND_"):], day, end)
}

// about returns the verdict of a rule.
func about(verdicts []*treatmentv1.Verdict, rule string) *treatmentv1.Verdict {
	for _, verdict := range verdicts {
		if verdict.GetRule() == rule {
			return verdict
		}
	}
	return nil
}

// 40 CFR 170.501: handlers are trained every 12 months. From memory.
func TestInTheUnitedStatesWhoIsNotTrainedAppliesNothingPublished(t *testing.T) {
	n, c := openNursery(t)
	n.moveTo("US")
	n.qualified("mira", identity.WorkerTraining, "2026-03-01", "2027-02-28")
	program := n.pruned(c)
	lot := name("lots/l-1")
	c.now = c.now.Add(2 * time.Hour)
	n.qualified("wandile", identity.HandlerTraining, "2025-03-02", "2026-03-01")

	checked := n.check(proposed(lot, "thio", "10", c.now))
	require.Contains(t, refused(checked.GetVerdicts()), "handler-training")
	require.Contains(t, about(checked.GetVerdicts(), "handler-training").GetMessage(), "the last one counted until 2026-03-01")

	_, err := n.confirm(program, "systemic-1", did("systemic", c.now))
	message, meta := rpctest.Refused(t, err, codes.FailedPrecondition, fault.PersonUnqualified)
	require.Contains(t, message, "Wandile Worker has no handler training that counts on 2026-03-02")
	require.Equal(t, "handler-training", meta["rule"])
	overridden := did("systemic", c.now)
	overridden.Overrides = []*treatmentv1.Override{{Rule: "handler-training", Note: "it was urgent"}}
	_, err = n.treatment.ConfirmStep(asManager(), &treatmentv1.ConfirmStepRequest{Name: program + "/steps/systemic-1", Confirmation: overridden, RequestId: id()})
	require.Error(t, err, "nobody may override it")

	breach, err := n.treatment.RecordBreach(asManager(), &treatmentv1.RecordBreachRequest{
		Parent: "nurseries/test", Application: proposed(lot, "manc", "10", c.now.Add(-time.Hour)), Note: "it was sprayed all the same", RequestId: id(),
		EndTime: timestamppb.New(c.now),
	})
	require.NoError(t, err)
	require.Contains(t, refused(breach.GetVerdicts()), "handler-training", "what happened is kept with what it broke")

	n.qualified("wandile", identity.HandlerTraining, "2026-03-02", "2027-03-01")
	n.qualified("wandile", identity.FullAge, "2010-01-01", "")
	require.NotContains(t, refused(n.check(proposed(lot, "thio", "10", c.now)).GetVerdicts()), "handler-training")
}

func TestElsewhereWhatIsNotOnRecordOfAHandlerIsTold(t *testing.T) {
	n, c := openNursery(t)
	n.pruned(c)
	n.exec(`UPDATE products.product SET respirator = DEFAULT`)
	verdicts := n.check(proposed(name("lots/l-1"), "thio", "10", c.now)).GetVerdicts()
	for _, rule := range []string{"handler-training", "handler-age", "respirator-fitness", "equipment-issued"} {
		require.Equal(t, treatmentv1.Outcome_OUTCOME_WARN, about(verdicts, rule).GetOutcome(), rule)
	}
	for _, kind := range []identityv1.QualificationKind{identity.HandlerTraining, identity.FullAge, identity.EquipmentIssue} {
		n.qualified("wandile", kind, "2026-01-01", "")
	}
	verdicts = n.check(proposed(name("lots/l-1"), "thio", "10", c.now)).GetVerdicts()
	for _, rule := range []string{"handler-training", "handler-age", "equipment-issued"} {
		require.Equal(t, treatmentv1.Outcome_OUTCOME_PASS, about(verdicts, rule).GetOutcome(), rule)
	}
}

func TestAPlanIsHeldToTheTrainingOfEachHandlerOnTheDay(t *testing.T) {
	n, c := openNursery(t)
	n.moveTo("US")
	n.qualified("mira", identity.WorkerTraining, "2026-03-01", "2027-02-28")
	program := n.pruned(c)
	step := program + "/steps/systemic-1"
	ends := func(day string) identity.Person {
		return identity.Person{ID: "x", DisplayName: "Xola", Qualifications: []identity.Qualification{{Kind: identity.HandlerTraining, Date: "2026-01-01", EndDate: day}}}
	}
	require.Contains(t, n.planned(c.now, c.now.Add(48*time.Hour))[step].Refused, "has no handler training")
	require.Equal(t, "thio", n.planned(c.now, c.now.Add(48*time.Hour), ends("2026-03-05"))[step].Product.Product.ID)

	tomorrow := c.now.Add(24 * time.Hour)
	plan := func(by identity.Person) []treatment.PlannedRefusal {
		return n.checkPlanned(c.now, treatment.PlannedApplication{
			Step: step, Product: name("products/thio"), Start: tomorrow, End: tomorrow.Add(time.Hour), Applicator: by,
		})
	}
	require.Empty(t, plan(ends("2026-03-03")))
	refused := plan(ends("2026-03-02"))
	require.Len(t, refused, 1)
	require.Contains(t, refused[0].Text, "Xola has no handler training that counts on 2026-03-03: the last one counted until 2026-03-02")
	require.Zero(t, refused[0].Until, "waiting does not train anybody")
}

// 40 CFR 170.401: whoever works where pesticide was applied, or an interval of restricted
// entry ran, within 30 days is trained every 12 months. From memory.
func TestInTheUnitedStatesOnlyTrainedPeopleWorkWhereWasSprayedWithin30DaysPublished(t *testing.T) {
	n, c := openNursery(t)
	n.moveTo("US")
	n.breach(proposed(n.newLot(), "thio", "10", c.now.Add(-time.Hour)))
	other := n.start("phyllosticta-leaf-spot", "leaf-spots").GetName()

	// It ends on 2 March at 10:00 in Johannesburg and its interval at 22:00; 30 days after
	// that day is 1 April.
	isolated := func(day time.Time) error {
		c.now = day
		_, err := n.confirm(other, "isolate-1", did("isolate", day))
		return err
	}
	n.qualified("wandile", identity.WorkerTraining, "2025-03-30", "2026-03-29")
	message, meta := rpctest.Refused(t, isolated(time.Date(2026, 4, 1, 15, 0, 0, 0, time.UTC)), codes.FailedPrecondition, fault.PersonUnqualified)
	require.Contains(t, message, "Wandile Worker has no worker or handler training that counts on 2026-04-01 (the last one counted until 2026-03-29)")
	require.Equal(t, "h1", meta["house"])
	require.NoError(t, isolated(time.Date(2026, 4, 2, 8, 0, 0, 0, time.UTC)), "31 days after")
}

func TestATrainedWorkerOrHandlerWorksWhereWasSprayed(t *testing.T) {
	for _, kind := range []identityv1.QualificationKind{identity.WorkerTraining, identity.HandlerTraining} {
		n, c := openNursery(t)
		n.moveTo("US")
		n.qualified("wandile", kind, "2026-01-01", "2026-12-31")
		n.breach(proposed(n.newLot(), "thio", "10", c.now.Add(-time.Hour)))
		program := n.start("phyllosticta-leaf-spot", "leaf-spots").GetName()
		c.now = c.now.Add(48 * time.Hour)
		_, err := n.confirm(program, "isolate-1", did("isolate", c.now))
		require.NoError(t, err, kind)
	}
}

func TestElsewhereNobodyIsAskedForTheTrainingOfWorkers(t *testing.T) {
	n, c := openNursery(t)
	n.breach(proposed(n.newLot(), "thio", "10", c.now.Add(-time.Hour)))
	program := n.start("phyllosticta-leaf-spot", "leaf-spots").GetName()
	c.now = c.now.Add(48 * time.Hour)
	_, err := n.confirm(program, "isolate-1", did("isolate", c.now))
	require.NoError(t, err)
}

func TestASupervisorIsCertifiedOnTheDay(t *testing.T) {
	n, c := openNursery(t)
	program := n.pruned(c)
	c.now = c.now.Add(2 * time.Hour)
	supervised := did("systemic", c.now)
	supervised.Supervisor = name("people/mira")
	_, err := n.confirm(program, "systemic-1", supervised)
	message, _ := rpctest.Refused(t, err, codes.FailedPrecondition, fault.CertificateMissing)
	require.Contains(t, message, "Mira Manager holds no certificate that is valid on 2026-03-02")
	n.exec(`INSERT INTO identity.certificate (nursery, person, position, number, category, expire_date) VALUES ('test', 'mira', 0, 'C-4', '3', '2026-03-02')`)
	_, err = n.confirm(program, "systemic-1", supervised)
	require.NoError(t, err)

	// Whoever applies a restricted-use product is certified themselves.
	c.now = c.now.Add(48 * time.Hour) // the house is open again
	restricted := n.pruned(c)
	c.now = c.now.Add(2 * time.Hour)
	supervised = did("systemic", c.now)
	supervised.Supervisor, supervised.Treatments = name("people/mira"), applied("rest", "10")
	_, err = n.confirm(restricted, "systemic-1", supervised)
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.CertificateMissing)
}
