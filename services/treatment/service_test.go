package treatment_test

import (
	"context"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/rpc/rpctest"
	"velamen/services/treatment"
)

// openNursery returns a stack at day0 whose clock the test moves, without
// workflows.
func openNursery(t testing.TB) (*nursery, *movable) {
	c := &movable{now: day0}
	return newNursery(t, c, func(context.Context, postgres.Event) error { return nil }), c
}

func TestACaseHoldsItsLots(t *testing.T) {
	n, _ := openNursery(t)
	opened := n.newCase("phyllosticta-leaf-spot")
	require.Equal(t, name("cases/c-1"), opened.GetName())

	lot, err := n.stock.GetLot(asWorker(), &stockv1.GetLotRequest{Name: opened.GetLots()[0]})
	require.NoError(t, err)
	require.Equal(t, opened.GetName(), lot.GetHoldingCase())

	_, err = n.stock.SellPlants(asManager(), &stockv1.SellPlantsRequest{Name: lot.GetName(), Plants: 1, RequestId: id()})
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.LotHeld)
	_, err = n.treatment.CreateCase(asManager(), &treatmentv1.CreateCaseRequest{Parent: "nurseries/test", RequestId: id(),
		Case: &treatmentv1.Case{Diagnosis: opened.GetDiagnosis(), Lots: opened.GetLots()}})
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.LotInProgram)
}

func TestWhatWasSplitOffAHeldLotJoinsItsCaseOnlyAndIsFreeAtItsEnd(t *testing.T) {
	n, _ := openNursery(t)
	program := n.start("phyllosticta-leaf-spot", "leaf-spots")
	split := func(from, part string) string {
		_, err := n.stock.SplitLot(asManager(), &stockv1.SplitLotRequest{
			Name: from, NewLotId: part, Plants: 10, Bench: name("houses/h1/benches/iso"), RequestId: id()})
		require.NoError(t, err)
		return name("lots/" + part)
	}
	joins, stays := split(program.GetLots()[0], "joins"), split(program.GetLots()[0], "stays")
	other := n.newCase("phyllosticta-leaf-spot")
	_, err := n.treatment.CreateCase(asManager(), &treatmentv1.CreateCaseRequest{Parent: "nurseries/test", RequestId: id(),
		Case: &treatmentv1.Case{Diagnosis: other.GetDiagnosis(), Lots: []string{stays}}})
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.LotInProgram)
	_, err = n.treatment.AmendProgram(asManager(), &treatmentv1.AmendProgramRequest{
		Name: program.GetName(), AddLots: []string{joins}, Note: "listed apart", RequestId: id()})
	require.NoError(t, err)

	_, err = n.treatment.GiveUpProgram(asManager(), &treatmentv1.GiveUpProgramRequest{Name: program.GetName(), Note: "not worth it", RequestId: id()})
	require.NoError(t, err)
	gone := did("discard", day0)
	gone.StartTime = gone.GetEndTime()
	_, err = n.confirm(program.GetName(), "discard-1", gone)
	require.NoError(t, err)
	n.drain()
	for _, lot := range []string{joins, stays} {
		got, err := n.stock.GetLot(asManager(), &stockv1.GetLotRequest{Name: lot})
		require.NoError(t, err)
		require.Zero(t, got.GetPlants(), lot)
		require.Empty(t, got.GetHoldingCase(), lot)
	}
}

func TestACaseOpenedByMistakeIsClosedAndItsLotsAreFree(t *testing.T) {
	n, _ := openNursery(t)
	opened := n.newCase("phyllosticta-leaf-spot")
	closed, err := n.treatment.CloseCase(asManager(), &treatmentv1.CloseCaseRequest{Name: opened.GetName(), Note: "the wrong lot", RequestId: id()})
	require.NoError(t, err)
	require.Equal(t, treatmentv1.CaseState_CASE_STATE_CLOSED, closed.GetState())
	n.drain()
	lot, err := n.stock.GetLot(asWorker(), &stockv1.GetLotRequest{Name: opened.GetLots()[0]})
	require.NoError(t, err)
	require.Empty(t, lot.GetHoldingCase())

	again, err := n.treatment.GetCase(asWorker(), &treatmentv1.GetCaseRequest{Name: opened.GetName()})
	require.NoError(t, err)
	require.Equal(t, "the wrong lot", again.GetCloseNote())
	require.Equal(t, opened.GetLots(), again.GetLots(), "what it was opened for is still known")
	_, err = n.treatment.CreateProgram(asManager(), &treatmentv1.CreateProgramRequest{Parent: "nurseries/test", Case: opened.GetName(), Template: name("templates/leaf-spots"), RequestId: id()})
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.ProgramState)
	_, err = n.treatment.CloseCase(asManager(), &treatmentv1.CloseCaseRequest{Name: opened.GetName(), Note: "again", RequestId: id()})
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.ProgramState)

	treated := n.start("phyllosticta-leaf-spot", "leaf-spots")
	_, err = n.treatment.CloseCase(asManager(), &treatmentv1.CloseCaseRequest{Name: treated.GetCase(), Note: "too late", RequestId: id()})
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.ProgramState)
}

func TestAProgramIsStartedOnceForACaseWithATemplateForItsDisorder(t *testing.T) {
	n, _ := openNursery(t)
	opened := n.newCase("phyllosticta-leaf-spot")
	request := &treatmentv1.CreateProgramRequest{Parent: "nurseries/test", Case: opened.GetName(), Template: name("templates/vascular-wilt"), RequestId: id()}
	_, err := n.treatment.CreateProgram(asManager(), request)
	rpctest.RefusedField(t, err, "template")

	request = &treatmentv1.CreateProgramRequest{Parent: "nurseries/test", Case: opened.GetName(), Template: name("templates/leaf-spots"), RequestId: id()}
	program, err := n.treatment.CreateProgram(asManager(), request)
	require.NoError(t, err)
	require.Equal(t, name("programs/p-1"), program.GetName())
	again, err := n.treatment.CreateProgram(asManager(), request)
	require.NoError(t, err)
	require.True(t, proto.Equal(program, again), "a retry returns the first answer")

	request = proto.CloneOf(request)
	request.RequestId = id()
	_, err = n.treatment.CreateProgram(asManager(), request)
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.ProgramState)
}

func TestAProgramIsEnteredMidOutbreak(t *testing.T) {
	n, _ := openNursery(t)
	past := func(days int) time.Time { return day0.AddDate(0, 0, -days) }
	program := n.start("phyllosticta-leaf-spot", "leaf-spots",
		completed("isolate", past(60)), completed("disinfect", past(60).Add(2*time.Hour)), completed("prune", past(59)),
		completed("systemic", past(58)), completed("contact", past(44)), completed("inspection", past(28)), completed("inspection", past(10)))

	require.Equal(t, past(60).Add(-time.Hour), program.GetStartTime().AsTime(), "it began when its first step did")
	require.Len(t, n.applied, 2, "applications of the past are in the record as well")
	release := program.GetSteps()[6]
	require.Equal(t, treatmentv1.StepState_STEP_STATE_OVERDUE, release.GetState())

	response, err := n.confirm(program.GetName(), "release-1", did("release", day0))
	require.NoError(t, err)
	require.Equal(t, treatmentv1.ProgramState_PROGRAM_STATE_RELEASED, response.GetProgram().GetState())
}

func TestAProgramWithAWrongPastIsNotEnteredAtAll(t *testing.T) {
	n, _ := openNursery(t)
	opened := n.newCase("phyllosticta-leaf-spot")
	tooEarly := completed("contact", day0.AddDate(0, 0, -15))
	_, err := n.treatment.CreateProgram(asManager(), &treatmentv1.CreateProgramRequest{Parent: "nurseries/test", RequestId: id(),
		Case: opened.GetName(), Template: name("templates/leaf-spots"), CompletedSteps: []*treatmentv1.CompletedStep{
			completed("isolate", day0.AddDate(0, 0, -20)), completed("disinfect", day0.AddDate(0, 0, -19)),
			completed("prune", day0.AddDate(0, 0, -18)), completed("systemic", day0.AddDate(0, 0, -17)), tooEarly,
		}})
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.StepNotOpen)

	programs, err := n.treatment.ListPrograms(asManager(), &treatmentv1.ListProgramsRequest{Parent: "nurseries/test"})
	require.NoError(t, err)
	require.Empty(t, programs.GetPrograms())
	applications, err := n.treatment.ListApplications(asManager(), &treatmentv1.ListApplicationsRequest{Parent: "nurseries/test"})
	require.NoError(t, err)
	require.Empty(t, applications.GetApplications())
}

func TestAConfirmationIsRefusedWithFieldAndRule(t *testing.T) {
	n, _ := openNursery(t)
	program := n.start("phyllosticta-leaf-spot", "leaf-spots").GetName()
	for _, test := range []struct {
		name    string
		step    string
		change  func(*treatmentv1.Confirmation)
		field   string
		message string
	}{
		{"a start after its end", "isolate-1", func(c *treatmentv1.Confirmation) { c.StartTime = timestamppb.New(day0.Add(time.Minute)) }, "confirmation.end_time", "cannot end"},
		{"an end in the future", "isolate-1", func(c *treatmentv1.Confirmation) { c.EndTime = timestamppb.New(day0.Add(time.Hour)) }, "confirmation.end_time", "in the future"},
		{"no isolation bench", "isolate-1", func(c *treatmentv1.Confirmation) { c.Bench = "" }, "confirmation.bench", "isolation bench"},
		{"a bench with a malformed name", "isolate-1", func(c *treatmentv1.Confirmation) { c.Bench = "iso" }, "confirmation.bench", "not a name"},
	} {
		t.Run(test.name, func(t *testing.T) {
			c := did("isolate", day0)
			c.StartTime = c.GetEndTime()
			test.change(c)
			_, err := n.confirm(program, test.step, c)
			require.Contains(t, rpctest.RefusedField(t, err, test.field), test.message)
		})
	}
	events, err := n.treatment.ListProgramEvents(asManager(), &treatmentv1.ListProgramEventsRequest{Name: program})
	require.NoError(t, err)
	require.Len(t, events.GetEvents(), 1, "nothing was half-written")
}

func TestAConfirmationOfAStepThatIsNotDueNamesTheEarliestTime(t *testing.T) {
	n, c := openNursery(t)
	program := n.start("phyllosticta-leaf-spot", "leaf-spots").GetName()
	for _, key := range []string{"isolate", "disinfect", "prune", "systemic"} {
		c.now = c.now.Add(2 * time.Hour)
		_, err := n.confirm(program, key+"-1", did(key, c.now))
		require.NoError(t, err)
	}
	c.now = c.now.AddDate(0, 0, 11)
	_, err := n.confirm(program, "contact-1", did("contact", c.now))
	message, values := rpctest.Refused(t, err, codes.FailedPrecondition, fault.StepNotOpen)
	require.Contains(t, message, "14 March 2026 18:00 (UTC+02:00)", "in the nursery's own time")
	require.Equal(t, day0.Add(8*time.Hour).AddDate(0, 0, 12).Format(time.RFC3339), values["earliest"])
}

func TestTwoPeopleWhoConfirmTheSameStepDoSoOnce(t *testing.T) {
	n, _ := openNursery(t)
	program := n.start("phyllosticta-leaf-spot", "leaf-spots").GetName()
	c := did("isolate", day0)
	c.StartTime = c.GetEndTime()
	errs := make([]error, 8)
	var people sync.WaitGroup
	for i := range errs {
		people.Go(func() { _, errs[i] = n.confirm(program, "isolate-1", c) })
	}
	people.Wait()
	confirmed := 0
	for _, err := range errs {
		if err == nil {
			confirmed++
			continue
		}
		rpctest.Refused(t, err, codes.FailedPrecondition, fault.StepAlreadyConfirmed)
	}
	require.Equal(t, 1, confirmed)
}

func TestAPhoneThatRetriesConfirmsOnce(t *testing.T) {
	n, _ := openNursery(t)
	program := n.start("phyllosticta-leaf-spot", "leaf-spots").GetName()
	c := did("isolate", day0)
	c.StartTime = c.GetEndTime()
	request := &treatmentv1.ConfirmStepRequest{Name: program + "/steps/isolate-1", Confirmation: c, RequestId: id()}
	first, err := n.treatment.ConfirmStep(asWorker(), request)
	require.NoError(t, err)
	second, err := n.treatment.ConfirmStep(asWorker(), request)
	require.NoError(t, err)
	require.True(t, proto.Equal(first, second))

	request = proto.CloneOf(request)
	request.Confirmation.Note = "another content"
	_, err = n.treatment.ConfirmStep(asWorker(), request)
	rpctest.Refused(t, err, codes.InvalidArgument, fault.RequestIDReused)
}

func TestAnApplicationIsHeldToItsLabel(t *testing.T) {
	n, _ := openNursery(t)
	past := day0.AddDate(0, 0, -2)
	program := n.start("phyllosticta-leaf-spot", "leaf-spots",
		completed("isolate", past), completed("disinfect", past.Add(time.Hour)), completed("prune", past.Add(3*time.Hour))).GetName()
	for _, test := range []struct {
		name   string
		change func(*treatmentv1.Confirmation)
		reason fault.Reason
	}{
		{"stronger than the label", func(c *treatmentv1.Confirmation) { c.Treatments = applied("thio", "20.1") }, fault.LabelRateExceeded},
		{"against a class that the label does not list", func(c *treatmentv1.Confirmation) { c.Treatments = applied("fose", "10") }, fault.LabelUseNotListed},
		{"a contact product in the systemic step", func(c *treatmentv1.Confirmation) { c.Treatments = applied("manc", "10") }, fault.ProductNotCandidate},
		{"restricted, by somebody without a certificate", func(c *treatmentv1.Confirmation) { c.Treatments = applied("rest", "10") }, fault.CertificateMissing},
	} {
		t.Run(test.name, func(t *testing.T) {
			c := did("systemic", day0)
			test.change(c)
			_, err := n.confirm(program, "systemic-1", c)
			rpctest.Refused(t, err, codes.FailedPrecondition, test.reason)
		})
	}
	inAnothersName := did("systemic", day0)
	inAnothersName.Treatments, inAnothersName.Performer = applied("rest", "10"), name("people/mira")
	_, err := n.confirm(program, "systemic-1", inAnothersName)
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
	byAuditor := did("systemic", day0)
	byAuditor.Performer = name("people/ada")
	_, err = n.confirm(program, "systemic-1", byAuditor)
	rpctest.RefusedField(t, err, "confirmation.performer")

	response, err := n.confirm(program, "systemic-1", did("systemic", day0))
	require.NoError(t, err)
	require.Equal(t, name("applications/p-1-systemic-1-1"), response.GetApplication())
	application, err := n.treatment.GetApplication(asWorker(), &treatmentv1.GetApplicationRequest{Name: response.GetApplication()})
	require.NoError(t, err)
	require.Equal(t, "12", application.GetRestrictedEntryInterval().GetAmount())
	require.Equal(t, name("people/wandile"), application.GetApplicator())
}

func TestTheHistoryNamesWhoConfirmedAndWhoDidTheWork(t *testing.T) {
	n, _ := openNursery(t)
	program := n.start("phyllosticta-leaf-spot", "leaf-spots").GetName()
	c := did("isolate", day0)
	c.StartTime, c.Performer = c.GetEndTime(), name("people/mira")
	_, err := n.confirm(program, "isolate-1", c)
	require.NoError(t, err)
	events, err := n.treatment.ListProgramEvents(asManager(), &treatmentv1.ListProgramEventsRequest{Name: program})
	require.NoError(t, err)
	event := events.GetEvents()[1]
	require.Equal(t, name("people/wandile"), event.GetPerson())
	require.Equal(t, name("people/mira"), event.GetConfirmation().GetPerformer())
}

func TestLotsThatWouldMissTheSprayNeedACaseOfTheirOwn(t *testing.T) {
	n, _ := openNursery(t)
	past := day0.AddDate(0, 0, -2)
	program := n.start("phyllosticta-leaf-spot", "leaf-spots", completed("isolate", past), completed("disinfect", past.Add(time.Hour)),
		completed("prune", past.Add(3*time.Hour)), completed("systemic", past.Add(5*time.Hour))).GetName()
	_, err := n.treatment.AmendProgram(asManager(), &treatmentv1.AmendProgramRequest{Name: program, AddLots: []string{n.newLot()}, Note: "next to it", RequestId: id()})
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.ProgramState)
}

func TestAStaleEtagIsRefused(t *testing.T) {
	n, _ := openNursery(t)
	program := n.start("phyllosticta-leaf-spot", "leaf-spots")
	pause := &treatmentv1.PauseProgramRequest{Name: program.GetName(), Note: "strike", Etag: program.GetEtag(), RequestId: id()}
	_, err := n.treatment.PauseProgram(asManager(), pause)
	require.NoError(t, err)
	resume := &treatmentv1.ResumeProgramRequest{Name: program.GetName(), Etag: program.GetEtag(), RequestId: id()}
	_, err = n.treatment.ResumeProgram(asManager(), resume)
	rpctest.Refused(t, err, codes.Aborted, fault.StaleETag)
}

func TestAPublishedTemplateIsForProgramsToComeOnly(t *testing.T) {
	n, _ := openNursery(t)
	running := n.start("phyllosticta-leaf-spot", "leaf-spots")
	template, err := n.treatment.GetTemplate(asManager(), &treatmentv1.GetTemplateRequest{Name: name("templates/leaf-spots")})
	require.NoError(t, err)
	require.True(t, template.GetShipped())
	template.Steps[4].Intervals[0].DueHours = 13 * 24
	published, err := n.treatment.PublishTemplate(asManager(), &treatmentv1.PublishTemplateRequest{Template: template, RequestId: id()})
	require.NoError(t, err)
	require.Equal(t, int32(2), published.GetVersion())
	require.False(t, published.GetShipped())

	next := n.start("phyllosticta-leaf-spot", "leaf-spots")
	require.Equal(t, int32(2), next.GetTemplate().GetVersion())
	again, err := n.treatment.GetProgram(asManager(), &treatmentv1.GetProgramRequest{Name: running.GetName()})
	require.NoError(t, err)
	require.Equal(t, int32(1), again.GetTemplate().GetVersion())

	template.Steps[5].OnFailure = treatmentv1.OnFailure_ON_FAILURE_UNSPECIFIED
	_, err = n.treatment.PublishTemplate(asManager(), &treatmentv1.PublishTemplateRequest{Template: template, RequestId: id()})
	rpctest.Refused(t, err, codes.InvalidArgument, fault.TemplateInvalid)
}

func TestWhatHappenedCannotBeChangedInTheDatabase(t *testing.T) {
	n, _ := openNursery(t)
	n.start("phyllosticta-leaf-spot", "leaf-spots")
	for _, sql := range []string{
		`UPDATE treatment.program_event SET note = 'x'`, `DELETE FROM treatment.program_event`,
		`TRUNCATE treatment.program_event`, `DELETE FROM treatment.application`, `UPDATE treatment.application_group SET frac_code = 'x'`,
	} {
		for _, url := range []string{n.db.AppURL, n.db.OwnerURL} {
			db, err := postgres.Open(context.Background(), url, &movable{now: day0})
			require.NoError(t, err)
			rows, err := db.Query(context.Background(), sql)
			if err == nil {
				rows.Close()
				err = rows.Err()
			}
			db.Close()
			require.Error(t, err, "%s as %s", sql, url)
		}
	}
}

func TestStepsAreListedByDueTimeInPages(t *testing.T) {
	n, c := openNursery(t)
	for range 3 {
		n.start("phyllosticta-leaf-spot", "leaf-spots")
		c.now = c.now.Add(time.Hour)
	}
	var names []string
	request := &treatmentv1.ListStepsRequest{Parent: name("programs/-"), PageSize: 2, States: []treatmentv1.StepState{treatmentv1.StepState_STEP_STATE_OPEN}}
	for {
		response, err := n.treatment.ListSteps(asWorker(), request)
		require.NoError(t, err)
		for _, step := range response.GetSteps() {
			names = append(names, step.GetName())
		}
		if request.PageToken = response.GetNextPageToken(); request.GetPageToken() == "" {
			break
		}
	}
	require.Equal(t, []string{name("programs/p-1/steps/isolate-1"), name("programs/p-2/steps/isolate-1"), name("programs/p-3/steps/isolate-1")}, names)

	open, err := treatment.ReadOpenSteps(context.Background(), n.db, "test", n.db.Now(), n.db.Now(), "", 10)
	require.NoError(t, err)
	require.Len(t, open, 3)
	rest, err := treatment.ReadOpenSteps(context.Background(), n.db, "test", n.db.Now(), n.db.Now(), open[0].Cursor, 10)
	require.NoError(t, err)
	require.Len(t, rest, 2)
}
