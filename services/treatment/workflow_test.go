package treatment_test

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.temporal.io/sdk/log"
	"go.temporal.io/sdk/testsuite"

	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/clock"
	"velamen/internal/postgres"
	"velamen/services/treatment"
)

// skipping is a program whose workflow runs in Temporal's test environment,
// which skips the waiting, while everything else is real: the services, their
// database, the activities and the outbox. The database's clock is the
// environment's.
type skipping struct {
	*nursery
	env     *testsuite.TestWorkflowEnvironment
	program string
	// refused are updates that the workflow's validator turned down.
	refused []error
}

// skippingClock is the clock of the run of the moment.
type skippingClock struct{ s *skipping }

func (c skippingClock) Now() time.Time { return clock.Stored(c.s.env.Now()) }

func newSkipping(t *testing.T) *skipping {
	s := &skipping{}
	s.newRun(day0)
	s.nursery = newNursery(t, skippingClock{s}, s.deliver)
	treatment.Register(s.env, treatment.NewActivities(s.db.DB))
	return s
}

// newRun begins a new run of the workflow at a moment.
func (s *skipping) newRun(at time.Time) {
	suite := &testsuite.WorkflowTestSuite{}
	suite.SetLogger(log.NewStructuredLogger(slog.New(slog.DiscardHandler)))
	s.env = suite.NewTestWorkflowEnvironment()
	s.env.SetStartTime(at)
	s.env.SetTestTimeout(time.Minute)
}

// deliver does what the relay does, in the test environment.
func (s *skipping) deliver(_ context.Context, event postgres.Event) error {
	if event.Topic != treatment.TopicProgramAdvanced {
		return nil
	}
	var advanced treatment.ProgramAdvanced
	if err := json.Unmarshal(event.Payload, &advanced); err != nil {
		return err
	}
	s.env.UpdateWorkflow("advance", fmt.Sprintf("event-%d", advanced.Event.Sequence), &testsuite.TestUpdateCallback{
		OnReject:   func(err error) { s.refused = append(s.refused, err) },
		OnAccept:   func() {},
		OnComplete: func(any, error) {},
	}, advanced.Event)
	return nil
}

// at does something so many hours after the start of the program.
func (s *skipping) at(hours float64, do func(now time.Time)) {
	s.env.RegisterDelayedCallback(func() {
		do(s.env.Now())
		s.drain()
	}, time.Duration(hours*float64(time.Hour)))
}

// confirmAt confirms a step with work that ends so many hours after the start.
func (s *skipping) confirmAt(hours float64, step string, changes ...func(*treatmentv1.Confirmation)) {
	s.at(hours, func(now time.Time) {
		c := did(step[:strings.LastIndexByte(step, '-')], now)
		c.StartTime = c.GetEndTime()
		for _, change := range changes {
			change(c)
		}
		_, err := s.confirm(s.program, step, c)
		require.NoError(s.t, err, "confirm %s", step)
	})
}

// run runs the workflow to its end and returns the program after it.
func (s *skipping) run() *treatmentv1.Program { return s.goOn(nil) }

// goOn is run from a position that the run before carried over.
func (s *skipping) goOn(carried *treatment.Position) *treatmentv1.Program {
	s.t.Helper()
	s.env.ExecuteWorkflow(treatment.ProgramWorkflow, treatment.ProgramInput{Nursery: "test", Program: "p-1", Carried: carried})
	require.True(s.t, s.env.IsWorkflowCompleted())
	require.NoError(s.t, s.env.GetWorkflowError())
	require.Empty(s.t, s.refused, "the workflow agrees with the database")
	program, err := s.treatment.GetProgram(asManager(), &treatmentv1.GetProgramRequest{Name: s.program})
	require.NoError(s.t, err)
	return program
}

// history lists what happened as "kind step".
func (s *skipping) history() []string {
	s.t.Helper()
	response, err := s.treatment.ListProgramEvents(asManager(), &treatmentv1.ListProgramEventsRequest{Name: s.program, PageSize: 1000})
	require.NoError(s.t, err)
	var lines []string
	for i, event := range response.GetEvents() {
		require.Equal(s.t, int64(i+1), event.GetSequence())
		lines = append(lines, strings.TrimSpace(event.GetKind()+" "+event.GetStep()[strings.LastIndexByte(event.GetStep(), '/')+1:]))
	}
	return lines
}

func (s *skipping) lot() *stockv1.Lot {
	s.t.Helper()
	lot, err := s.stock.GetLot(asManager(), &stockv1.GetLotRequest{Name: name("lots/l-1")})
	require.NoError(s.t, err)
	return lot
}

const day = 24.0

// treatRound confirms a round up to the contact spray, from an hour on.
func (s *skipping) treatRound(round int, from float64, systemic string) {
	if round == 1 {
		s.confirmAt(from+1, "isolate-1")
	}
	s.confirmAt(from+2, fmt.Sprintf("disinfect-%d", round))
	s.confirmAt(from+3, fmt.Sprintf("prune-%d", round))
	s.confirmAt(from+4, fmt.Sprintf("systemic-%d", round), func(c *treatmentv1.Confirmation) { c.Treatments = applied(systemic, "10") })
	s.confirmAt(from+4+14*day, fmt.Sprintf("contact-%d", round))
}

func TestWorkflowHappyPath(t *testing.T) {
	s := newSkipping(t)
	s.program = s.start("phyllosticta-leaf-spot", "leaf-spots").GetName()
	s.treatRound(1, 0, "thio")
	s.confirmAt(34*day, "inspection-1")
	s.confirmAt(48*day+1, "inspection-1")
	s.confirmAt(49*day, "release-1")

	program := s.run()
	require.Equal(t, treatmentv1.ProgramState_PROGRAM_STATE_RELEASED, program.GetState())
	require.Equal(t, []string{
		"started", "step_opened isolate-1", "step_confirmed isolate-1",
		"step_opened disinfect-1", "step_confirmed disinfect-1", "step_opened prune-1", "step_confirmed prune-1",
		"step_opened systemic-1", "step_confirmed systemic-1",
		"step_opened contact-1", "step_confirmed contact-1",
		"step_opened inspection-1", "step_confirmed inspection-1",
		"step_opened inspection-1", "step_confirmed inspection-1",
		"step_opened release-1", "step_confirmed release-1",
	}, s.history())
	require.Len(t, s.applied, 2, "two applications went to the records")
	require.Empty(t, s.lot().GetHoldingCase(), "the lot is free again")
	require.Equal(t, name("houses/h1/benches/iso"), s.lot().GetBench())
	require.Equal(t, int64(50), s.lot().GetPlants())
}

func TestWorkflowOverdueAndEscalation(t *testing.T) {
	s := newSkipping(t)
	s.program = s.start("phyllosticta-leaf-spot", "leaf-spots").GetName()
	s.at(24+49, func(time.Time) {
		step := s.listed(treatmentv1.StepState_STEP_STATE_OVERDUE)
		require.Equal(t, int32(2), step.GetEscalations(), "escalated once a day since it was overdue")
	})
	s.confirmAt(24+50, "isolate-1")
	s.at(24+51, s.giveUp)
	s.confirmAt(24+52, "discard-1")

	program := s.run()
	require.Equal(t, treatmentv1.ProgramState_PROGRAM_STATE_DISCARDED, program.GetState())
	require.Equal(t, []string{
		"started", "step_opened isolate-1", "step_overdue isolate-1", "step_escalated isolate-1", "step_escalated isolate-1",
		"step_confirmed isolate-1", "step_opened disinfect-1", "gave_up", "step_opened discard-1", "step_confirmed discard-1",
	}, s.history())
}

func (s *skipping) giveUp(time.Time) {
	_, err := s.treatment.GiveUpProgram(asManager(), &treatmentv1.GiveUpProgramRequest{Name: s.program, Note: "not worth it", RequestId: id()})
	require.NoError(s.t, err)
}

// listed returns the one step in a state.
func (s *skipping) listed(state treatmentv1.StepState) *treatmentv1.Step {
	s.t.Helper()
	response, err := s.treatment.ListSteps(asManager(), &treatmentv1.ListStepsRequest{Parent: name("programs/-"), States: []treatmentv1.StepState{state}})
	require.NoError(s.t, err)
	require.Len(s.t, response.GetSteps(), 1)
	return response.GetSteps()[0]
}

func TestWorkflowRecurrenceTakesAnotherResistanceGroup(t *testing.T) {
	s := newSkipping(t)
	s.program = s.start("phyllosticta-leaf-spot", "leaf-spots").GetName()
	s.treatRound(1, 0, "thio")
	s.confirmAt(34*day, "inspection-1", func(c *treatmentv1.Confirmation) { c.Inspection.PlantsAffected = 1 })
	s.at(34*day+3.5, func(now time.Time) {
		c := did("systemic", now)
		c.StartTime = c.GetEndTime()
		_, err := s.confirm(s.program, "systemic-2", c)
		require.ErrorContains(t, err, "resistance group 1, which the round before used")
	})
	s.treatRound(2, 34*day, "tebu")
	s.confirmAt(68*day, "inspection-2")
	s.confirmAt(82*day, "inspection-2")
	s.confirmAt(83*day, "release-2")

	program := s.run()
	require.Equal(t, treatmentv1.ProgramState_PROGRAM_STATE_RELEASED, program.GetState())
	require.Equal(t, int32(2), program.GetRound())
	require.Len(t, s.applied, 4)
	for _, step := range program.GetSteps() {
		if step.GetKey() == "systemic" && step.GetRound() == 2 {
			require.NotContains(t, step.GetCandidateActiveIngredients(), "thiophanate-methyl")
		}
	}
}

func TestWorkflowGiveUpDiscardsThePlants(t *testing.T) {
	s := newSkipping(t)
	s.program = s.start("phyllosticta-leaf-spot", "leaf-spots").GetName()
	s.confirmAt(1, "isolate-1")
	s.at(2, s.giveUp)
	s.confirmAt(3, "discard-1")

	require.Equal(t, treatmentv1.ProgramState_PROGRAM_STATE_DISCARDED, s.run().GetState())
	require.Zero(t, s.lot().GetPlants())
	require.Empty(t, s.lot().GetHoldingCase())
}

func TestWorkflowPauseRaisesNoAlarms(t *testing.T) {
	s := newSkipping(t)
	s.program = s.start("phyllosticta-leaf-spot", "leaf-spots").GetName()
	s.at(1, func(time.Time) {
		_, err := s.treatment.PauseProgram(asManager(), &treatmentv1.PauseProgramRequest{Name: s.program, Note: "strike", RequestId: id()})
		require.NoError(t, err)
	})
	s.at(10*day, func(now time.Time) {
		c := did("isolate", now)
		_, err := s.confirm(s.program, "isolate-1", c)
		require.ErrorContains(t, err, "paused")
	})
	s.at(20*day+1, func(time.Time) {
		_, err := s.treatment.ResumeProgram(asManager(), &treatmentv1.ResumeProgramRequest{Name: s.program, RequestId: id()})
		require.NoError(t, err)
	})
	s.confirmAt(20*day+20, "isolate-1")
	s.at(20*day+21, s.giveUp)
	s.confirmAt(20*day+22, "discard-1")
	s.run()
	require.Equal(t, []string{
		"started", "step_opened isolate-1", "paused", "resumed", "step_confirmed isolate-1",
		"step_opened disinfect-1", "gave_up", "step_opened discard-1", "step_confirmed discard-1",
	}, s.history())
}

func TestWorkflowAmendedLotsAreTreatedAndFreedWithTheRest(t *testing.T) {
	s := newSkipping(t)
	s.program = s.start("phyllosticta-leaf-spot", "leaf-spots").GetName()
	second, third := s.newLot(), s.newLot()
	amend := func(request *treatmentv1.AmendProgramRequest) {
		request.Name, request.Note, request.RequestId = s.program, "found next to it", id()
		_, err := s.treatment.AmendProgram(asManager(), request)
		require.NoError(t, err)
	}
	s.at(0.5, func(time.Time) { amend(&treatmentv1.AmendProgramRequest{AddLots: []string{second, third}}) })
	s.confirmAt(1, "isolate-1")
	s.at(1.5, func(time.Time) { amend(&treatmentv1.AmendProgramRequest{RemoveLots: []string{third}}) })
	s.at(2, s.giveUp)
	s.confirmAt(3, "discard-1")

	program := s.run()
	require.Equal(t, []string{name("lots/l-1"), second}, program.GetLots())
	for lot, plants := range map[string]int64{second: 0, third: 50} {
		got, err := s.stock.GetLot(asManager(), &stockv1.GetLotRequest{Name: lot})
		require.NoError(t, err)
		require.Equal(t, plants, got.GetPlants(), lot)
		require.Empty(t, got.GetHoldingCase(), lot)
	}
}

func TestWorkflowLearnsAgainWhatItMissed(t *testing.T) {
	s := newSkipping(t)
	s.program = s.start("phyllosticta-leaf-spot", "leaf-spots").GetName()
	s.at(1, func(now time.Time) {
		_, err := s.confirm(s.program, "isolate-1", did("isolate", now.Add(time.Hour)))
		require.Error(t, err, "work that has not ended is not confirmed")
		c := did("isolate", now)
		c.StartTime = c.GetEndTime()
		_, err = s.confirm(s.program, "isolate-1", c)
		require.NoError(t, err)
		require.NoError(t, s.forget(), "the event never reaches the workflow")
	})
	s.confirmAt(2, "disinfect-1")
	s.at(3, s.giveUp)
	s.confirmAt(4, "discard-1")
	require.Equal(t, treatmentv1.ProgramState_PROGRAM_STATE_DISCARDED, s.run().GetState())
}

// forget drops what waits for the workflow.
func (s *skipping) forget() error {
	var dropped int64
	return s.db.QueryRow(context.Background(), `
		WITH gone AS (DELETE FROM foundation.outbox_delivery WHERE consumer = 'programs' RETURNING 1) SELECT count(*) FROM gone`).Scan(&dropped)
}

func TestWorkflowContinuesAsNewAtTheSamePosition(t *testing.T) {
	s := newSkipping(t)
	s.program = s.start("phyllosticta-leaf-spot", "leaf-spots").GetName()
	s.at(1, func(now time.Time) {
		c := did("isolate", now)
		c.StartTime = c.GetEndTime()
		_, err := s.confirm(s.program, "isolate-1", c)
		require.NoError(t, err)
		s.env.SetContinueAsNewSuggested(true)
	})
	s.env.ExecuteWorkflow(treatment.ProgramWorkflow, treatment.ProgramInput{Nursery: "test", Program: "p-1"})
	require.True(t, s.env.IsWorkflowCompleted())
	require.ErrorContains(t, s.env.GetWorkflowError(), "continue as new")

	var position treatment.Position
	value, err := s.env.QueryWorkflow("position")
	require.NoError(t, err)
	require.NoError(t, value.Get(&position))

	s.newRun(day0.Add(2 * time.Hour))
	treatment.Register(s.env, treatment.NewActivities(s.db.DB))
	s.at(1, s.giveUp)
	s.confirmAt(2, "discard-1")
	require.Equal(t, treatmentv1.ProgramState_PROGRAM_STATE_DISCARDED, s.goOn(&position).GetState())
}

func TestWorkflowTakesTheRecordWhereItHoldsSomethingElse(t *testing.T) {
	for _, test := range []struct {
		name string
		hold func(*treatment.State)
	}{
		{"the database was restored to an earlier moment", func(s *treatment.State) { s.Sequence += 7 }},
		{"another version gave other times", func(s *treatment.State) { s.Steps[0].Opened, s.Steps[0].Overdue = true, day0 }},
		{"another version refuses the event", func(s *treatment.State) { s.Steps[0].Status = treatment.Waiting }},
	} {
		t.Run(test.name, func(t *testing.T) {
			s := newSkipping(t)
			s.program = s.start("phyllosticta-leaf-spot", "leaf-spots").GetName()
			position, err := treatment.NewActivities(s.db.DB).LoadProgram(context.Background(), "test", "p-1")
			require.NoError(t, err)
			test.hold(&position.State)
			s.confirmAt(1, "isolate-1")
			s.at(2, s.giveUp)
			s.confirmAt(3, "discard-1")
			require.Equal(t, treatmentv1.ProgramState_PROGRAM_STATE_DISCARDED, s.goOn(&position).GetState())
			require.Subset(t, s.history(), []string{"step_confirmed isolate-1", "gave_up", "step_confirmed discard-1"})
			require.LessOrEqual(t, len(s.history()), 8, "no alarm goes in a circle")
		})
	}
}
