package demo

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/status"

	identityv1 "velamen/gen/velamen/identity/v1"
	recordsv1 "velamen/gen/velamen/records/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
)

// Where the stories take place. A lot that was in trouble before velamen came stands on the
// last bench, and none is treated there.
const (
	storyHouse    = "quarantine"
	takeoverBench = "quarantine/iso05"
)

// storyBenches are where a lot is set apart and treated: the first that is open, because a
// story that was played a few hours ago has closed its own.
var storyBenches = []string{"quarantine/iso06", "quarantine/iso04", "quarantine/iso03", "quarantine/iso01"}

// largestPage is the most that a listing returns at once.
const largestPage = 1000

// Check plays two outbreaks through as the people of the nursery, on a server
// that is seeded: one that is found today, and one that was treated for 70 days
// before velamen came. It prints every step, a plan of the days ahead that a broken
// sprayer upsets, a plan for the season, what people
// answer for, then the use record of the house, and returns an error that says what was not as it should be. Every run uses
// lots that are free.
func Check(ctx context.Context, server Server) error {
	s, err := open(ctx, server)
	if err != nil {
		return err
	}
	if err := s.signAllIn(ctx); err != nil {
		return err
	}
	story := &story{seeder: s, worker: s.nursery.first(identityv1.Role_ROLE_WORKER), auditor: s.nursery.first(identityv1.Role_ROLE_AUDITOR)}
	for _, part := range []struct {
		title string
		play  func(context.Context) error
	}{
		{"The clock has caught up with every program", story.awaitPrograms},
		{"The days ahead", story.daysPlanned},
		{"An outbreak is found today", story.foundToday},
		{"A nursery begins with velamen in the middle of an outbreak", story.takenOver},
		{"Spots that nobody has named yet", story.unnamed},
		{"The season ahead", story.planned},
		{"What people answer for", story.answeredFor},
		{"What is left on record", story.onRecord},
	} {
		s.say("\n%s", part.title)
		if err := part.play(ctx); err != nil {
			return fmt.Errorf("%s: %w", part.title, err)
		}
	}
	s.say("\nAll of it went as it should.")
	return nil
}

// story is one run of the check.
type story struct {
	*seeder
	worker, auditor person
	// applications are those that this run confirmed (names).
	applications []string
}

// tell tells what happens, with names as people say them: without the nursery.
func (s *story) tell(format string, args ...any) {
	s.say("  %s", strings.ReplaceAll(fmt.Sprintf(format, args...), s.parent()+"/", ""))
}

// asManager and the others are contexts of people in the story.
func (s *story) asManager(ctx context.Context) context.Context { return s.as(ctx, s.manager().ID) }
func (s *story) asWorker(ctx context.Context) context.Context  { return s.as(ctx, s.worker.ID) }
func (s *story) asAuditor(ctx context.Context) context.Context { return s.as(ctx, s.auditor.ID) }

// anew returns a request id of this run.
func anew() string { return uuid.NewString() }

// local writes a time as the nursery's clock shows it.
func (s *story) local(t time.Time) string { return t.In(s.zone).Format("2 January 15:04") }

// refused tells of a call that must be refused for a reason, and fails when it
// was not.
func (s *story) refused(who, what string, err error, want fault.Reason) error {
	if err == nil {
		return fmt.Errorf("%s was allowed to %s", who, what)
	}
	if hasReason(err, want) {
		s.tell("REFUSED, as it should be: %s may not %s: %s (%s)", who, what, status.Convert(err).Message(), want)
		return nil
	}
	return fmt.Errorf("%s may not %s, but the refusal should be %s: %w", who, what, want, err)
}

// hasReason reports whether a call was refused for a reason.
func hasReason(err error, want fault.Reason) bool {
	return slices.ContainsFunc(status.Convert(err).Details(), func(detail any) bool {
		info, ok := detail.(*errdetails.ErrorInfo)
		return ok && info.GetReason() == string(want)
	})
}

// awaitPrograms waits until the clock has opened every step that is open: then
// Temporal runs every program and stands where the database does.
func (s *story) awaitPrograms(ctx context.Context) error {
	listed, err := s.treatment.ListPrograms(s.asManager(ctx), &treatmentv1.ListProgramsRequest{
		Parent: s.parent(), PageSize: largestPage,
		States: []treatmentv1.ProgramState{treatmentv1.ProgramState_PROGRAM_STATE_RUNNING, treatmentv1.ProgramState_PROGRAM_STATE_GIVEN_UP},
	})
	if err != nil {
		return err
	}
	opened := 0
	for _, listed := range listed.GetPrograms() {
		program, err := s.treatment.GetProgram(s.asManager(ctx), &treatmentv1.GetProgramRequest{Name: listed.GetName()})
		if err != nil {
			return err
		}
		for _, step := range program.GetSteps() {
			if step.GetState() != treatmentv1.StepState_STEP_STATE_OPEN && step.GetState() != treatmentv1.StepState_STEP_STATE_OVERDUE {
				continue
			}
			if err := s.awaitOpened(ctx, program.GetName(), step.GetName()); err != nil {
				return err
			}
			opened++
		}
	}
	s.tell("%d programs go on, and the clock has opened the %d steps that can be done now.", len(listed.GetPrograms()), opened)
	return nil
}

// awaitOpened waits until the clock has opened a step.
func (s *story) awaitOpened(ctx context.Context, program, step string) error {
	return eventually(ctx, "the clock opens "+step, func() (bool, error) {
		history, err := s.treatment.ListProgramEvents(s.asManager(ctx), &treatmentv1.ListProgramEventsRequest{Name: program, PageSize: largestPage})
		return slices.ContainsFunc(history.GetEvents(), func(event *treatmentv1.ProgramEvent) bool {
			return event.GetKind() == eventOpened && event.GetStep() == step && event.GetPerson() == ""
		}), err
	})
}

// eventOpened is how the history of a program calls a step that opened.
const eventOpened = "step_opened"

// awaitLot waits until the stock knows something about a lot.
func (s *story) awaitLot(ctx context.Context, name, what string, holds func(*stockv1.Lot) bool) error {
	return eventually(ctx, name+" "+what, func() (bool, error) {
		lot, err := s.stock.GetLot(s.asManager(ctx), &stockv1.GetLotRequest{Name: name})
		return holds(lot), err
	})
}

// onRecord prints the use record of the house and holds the books to agree.
func (s *story) onRecord(ctx context.Context) error {
	if err := s.awaitLedger(ctx); err != nil {
		return err
	}
	today := s.Clock.Now().In(s.zone)
	record, err := s.records.ExportUseRecord(s.asAuditor(ctx), &recordsv1.ExportUseRecordRequest{
		Record: &recordsv1.GetUseRecordRequest{
			House:    s.name("houses", storyHouse),
			FromDate: &typev1.Date{Value: today.AddDate(0, 0, -90).Format(time.DateOnly)},
			ToDate:   &typev1.Date{Value: today.Format(time.DateOnly)},
		},
		Format: recordsv1.ExportFormat_EXPORT_FORMAT_TEXT,
	})
	if err != nil {
		return err
	}
	s.tell("%s, auditor, prints the use record of the house for the last 90 days:\n", s.auditor.DisplayName)
	s.say("%s", record.GetData())
	ledger, err := s.records.VerifyLedger(s.asAuditor(ctx), &recordsv1.VerifyLedgerRequest{Parent: s.parent()})
	if err != nil {
		return err
	}
	if !ledger.GetIntact() {
		return fmt.Errorf("the ledger is broken at %s: %s", ledger.GetBrokenEntry(), ledger.GetFault())
	}
	s.tell("The ledger is intact: %d entries, each with the hash of the one before.", ledger.GetEntries())
	return s.balanced(ctx)
}

func (s *story) balanced(ctx context.Context) error {
	b, err := s.stock.GetPlantBalance(s.asAuditor(ctx), &stockv1.GetPlantBalanceRequest{Name: s.parent()})
	if err != nil {
		return err
	}
	if !b.GetBalanced() {
		return fmt.Errorf("the plants do not balance: %d started and %d received, but %d on hand, %d disposed of and %d sold",
			b.GetStarted(), b.GetReceived(), b.GetOnHand(), b.GetDisposed(), b.GetSold())
	}
	s.tell("The plants balance: %d started + %d received = %d on hand + %d disposed of + %d sold.",
		b.GetStarted(), b.GetReceived(), b.GetOnHand(), b.GetDisposed(), b.GetSold())
	return nil
}

// awaitLedger waits until the ledger has every application of this run.
func (s *story) awaitLedger(ctx context.Context) error {
	return eventually(ctx, "the ledger has every application", func() (bool, error) {
		entries, err := s.entries(ctx)
		return !slices.ContainsFunc(s.applications, func(application string) bool { return entries[application] == nil }), err
	})
}

// entries returns the ledger's entries by the application's name.
func (s *story) entries(ctx context.Context) (map[string]*recordsv1.Entry, error) {
	entries := map[string]*recordsv1.Entry{}
	request := &recordsv1.ListEntriesRequest{Parent: s.parent(), PageSize: largestPage}
	for {
		page, err := s.records.ListEntries(s.asAuditor(ctx), request)
		if err != nil {
			return nil, err
		}
		for _, entry := range page.GetEntries() {
			entries[entry.GetApplication()] = entry
		}
		if request.PageToken = page.GetNextPageToken(); request.GetPageToken() == "" {
			return entries, nil
		}
	}
}

var errNoFreeLot = errors.New("every lot is held by a case; remove the demo's data folder and begin anew")
