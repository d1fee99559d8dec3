package cli_test

import (
	"bytes"
	"context"
	"io"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	identityv1 "velamen/gen/velamen/identity/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	recordsv1 "velamen/gen/velamen/records/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/cli"
	"velamen/internal/clock"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
)

// ruleAnswers serves fixed answers about rules and keeps what it was asked.
type ruleAnswers struct {
	treatmentv1.UnimplementedTreatmentServiceServer
	recordsv1.UnimplementedRecordsServiceServer
	asked       proto.Message
	checked     *treatmentv1.CheckApplicationResponse
	proposed    *treatmentv1.ProposeProductsResponse
	planned     *treatmentv1.PlanRotationResponse
	mix         *treatmentv1.MixSheet
	calibrated  *treatmentv1.CalibrateSprayerResponse
	assessed    *treatmentv1.ReleaseAssessment
	confirmed   *treatmentv1.ConfirmStepResponse
	application *treatmentv1.Application
	events      *treatmentv1.ListProgramEventsResponse
	entry       *recordsv1.Entry
}

func (a *ruleAnswers) CheckApplication(_ context.Context, r *treatmentv1.CheckApplicationRequest) (*treatmentv1.CheckApplicationResponse, error) {
	a.asked = r
	return a.checked, nil
}

func (a *ruleAnswers) ProposeProducts(_ context.Context, r *treatmentv1.ProposeProductsRequest) (*treatmentv1.ProposeProductsResponse, error) {
	a.asked = r
	return a.proposed, nil
}

func (a *ruleAnswers) PlanRotation(_ context.Context, r *treatmentv1.PlanRotationRequest) (*treatmentv1.PlanRotationResponse, error) {
	a.asked = r
	return a.planned, nil
}

func (a *ruleAnswers) CalculateMix(_ context.Context, r *treatmentv1.CalculateMixRequest) (*treatmentv1.MixSheet, error) {
	a.asked = r
	return a.mix, nil
}

func (a *ruleAnswers) CalibrateSprayer(_ context.Context, r *treatmentv1.CalibrateSprayerRequest) (*treatmentv1.CalibrateSprayerResponse, error) {
	a.asked = r
	return a.calibrated, nil
}

func (a *ruleAnswers) AssessRelease(_ context.Context, r *treatmentv1.AssessReleaseRequest) (*treatmentv1.ReleaseAssessment, error) {
	a.asked = r
	return a.assessed, nil
}

func (a *ruleAnswers) RecordBreach(_ context.Context, r *treatmentv1.RecordBreachRequest) (*treatmentv1.Application, error) {
	a.asked = r
	return a.application, nil
}

func (a *ruleAnswers) ConfirmStep(_ context.Context, r *treatmentv1.ConfirmStepRequest) (*treatmentv1.ConfirmStepResponse, error) {
	a.asked = r
	return a.confirmed, nil
}

func (a *ruleAnswers) GetApplication(context.Context, *treatmentv1.GetApplicationRequest) (*treatmentv1.Application, error) {
	return a.application, nil
}

func (a *ruleAnswers) ListApplications(context.Context, *treatmentv1.ListApplicationsRequest) (*treatmentv1.ListApplicationsResponse, error) {
	return &treatmentv1.ListApplicationsResponse{Applications: []*treatmentv1.Application{a.application}}, nil
}

func (a *ruleAnswers) ListProgramEvents(context.Context, *treatmentv1.ListProgramEventsRequest) (*treatmentv1.ListProgramEventsResponse, error) {
	return a.events, nil
}

func (a *ruleAnswers) GetTemplate(_ context.Context, r *treatmentv1.GetTemplateRequest) (*treatmentv1.Template, error) {
	return &treatmentv1.Template{Name: r.GetName(), DisplayName: "Virus", Version: 2, MaxRounds: 1, Steps: []*treatmentv1.TemplateStep{
		{Key: "inspection", Kind: treatmentv1.StepKind_STEP_KIND_INSPECT, Title: "Look"},
		{Key: "release", Kind: treatmentv1.StepKind_STEP_KIND_RELEASE, Title: "Release", ReleaseConfidence: amountOf("95", "%"), ReleasePrevalence: amountOf("1", "%")},
	}}, nil
}

func (a *ruleAnswers) GetEntry(context.Context, *recordsv1.GetEntryRequest) (*recordsv1.Entry, error) {
	return a.entry, nil
}

func (a *ruleAnswers) ListEntries(context.Context, *recordsv1.ListEntriesRequest) (*recordsv1.ListEntriesResponse, error) {
	return &recordsv1.ListEntriesResponse{Entries: []*recordsv1.Entry{a.entry}}, nil
}

func newRuleClient(t *testing.T) (*client, *ruleAnswers) {
	t.Helper()
	a := &ruleAnswers{}
	c := newClient(t)
	c.conn = rpctest.Serve(t, func(server *rpc.Server) {
		identityv1.RegisterIdentityServiceServer(server, c.answers)
		treatmentv1.RegisterTreatmentServiceServer(server, a)
		recordsv1.RegisterRecordsServiceServer(server, a)
	})
	return c, a
}

func amountOf(amount, unit string) *typev1.Quantity {
	return &typev1.Quantity{Amount: amount, Unit: unit}
}

func utc(day, hour int) *timestamppb.Timestamp {
	return timestamppb.New(time.Date(2026, 3, day, hour, 0, 0, 0, time.UTC))
}

// sentAs compares what was asked with a file.
func sentAs(t *testing.T, name string, asked proto.Message) {
	t.Helper()
	sent, err := protojson.MarshalOptions{Multiline: true, Indent: "  "}.Marshal(asked)
	require.NoError(t, err)
	if *update {
		require.NoError(t, os.WriteFile("testdata/"+name, append(sent, '\n'), 0o644))
	}
	want, err := os.ReadFile("testdata/" + name)
	require.NoError(t, err)
	require.JSONEq(t, string(want), string(sent))
}

const caution = "Labels decide; this is a copy."

func someVerdicts() []*treatmentv1.Verdict {
	return []*treatmentv1.Verdict{
		{
			Rule: "label-min-interval", Outcome: treatmentv1.Outcome_OUTCOME_REFUSE, Product: "nurseries/test/products/topspray",
			Message: "The label asks for 14 d between applications; the last one was 9 d ago.", Source: "label of Top Spray",
			Numbers:      []*treatmentv1.Number{{Name: "days since the last application", Value: "9 d"}, {Name: "label", Value: "14 d"}},
			EarliestTime: utc(7, 6), Alternatives: []string{"Mancozeb 800 (FRAC M03)", "Copper Flow (FRAC M01)"},
		},
		{
			Rule: "rotation-return", Outcome: treatmentv1.Outcome_OUTCOME_REFUSE, Overridable: true,
			Message: "Three other groups come before group 1 returns.", Source: "common practice, no source",
		},
		{Rule: "label-temperature", Outcome: treatmentv1.Outcome_OUTCOME_WARN, Message: "Nobody said how warm it is; the label allows 5 to 30 Cel.", Source: "label of Top Spray"},
		{Rule: "label-rate-max", Outcome: treatmentv1.Outcome_OUTCOME_PASS, Product: "nurseries/test/products/topspray", Message: "1.2 g/L of at most 1.5 g/L.", Source: "label of Top Spray"},
	}
}

var proposedArgs = []string{
	"--method", "spray", "--disorder", "powdery-mildew", "--lot", "l-0001,l-0002", "--by", "wandile",
	"--house", "h1", "--area", "900ft2", "--mix", "5gal", "--product", "topspray=20g@bag-7", "--product", "wetter=8floz", "--plants", "240", "--chemigation",
	"--temperature", "24Cel", "--humidity", "70%", "--open-bloom", "no", "--sunlit", "yes", "--wet-foliage", "no",
}

func TestCheckShowsRefusalsFirstAndEndsAsOne(t *testing.T) {
	c, a := newRuleClient(t)
	a.checked = &treatmentv1.CheckApplicationResponse{Verdicts: someVerdicts(), EarliestTime: utc(7, 6), Caution: caution}
	args := append([]string{"treatment", "check", "--at", "2026-03-02 07:00"}, proposedArgs...)
	out, errors, code := c.run(args...)
	require.Equal(t, 3, code)
	require.Contains(t, errors, "rules that refuse this application: 2")
	golden(t, "treatment-check.txt", out)
	sentAs(t, "treatment-check-request.json", a.asked)

	out, errors, code = c.run(append(args, "--json")...)
	require.Equal(t, 3, code)
	read := &treatmentv1.CheckApplicationResponse{}
	require.NoError(t, protojson.Unmarshal([]byte(out), read))
	require.True(t, proto.Equal(a.checked, read))
	require.NotContains(t, errors, cli.Caution, "the caution is in the answer; standard error is the error alone")

	a.checked = &treatmentv1.CheckApplicationResponse{Verdicts: someVerdicts()[3:], Passes: true, Caution: caution}
	out, errors, code = c.run(args...)
	require.Zero(t, code, errors)
	require.Contains(t, out, "Rules that refuse: 0, with something to mind: 0, kept: 1.")
}

func TestCheckIsAboutNowUnlessATimeIsGiven(t *testing.T) {
	c, a := newRuleClient(t)
	a.checked = &treatmentv1.CheckApplicationResponse{Passes: true, Caution: caution}
	var stderr bytes.Buffer
	code := cli.Run(t.Context(), cli.Options{
		Args: append([]string{"treatment", "check"}, proposedArgs...), Out: io.Discard, Err: &stderr,
		Environment: func(name string) string { return c.environment[name] },
		Connect:     func(string) (grpc.ClientConnInterface, error) { return c.conn, nil },
		Clock:       clock.Fixed(utc(4, 9).AsTime()),
	})
	require.Zero(t, code, stderr.String())
	require.True(t, proto.Equal(utc(4, 9), a.asked.(*treatmentv1.CheckApplicationRequest).GetApplication().GetStartTime()))
}

func TestCheckInManyHouses(t *testing.T) {
	c, a := newRuleClient(t)
	a.checked = &treatmentv1.CheckApplicationResponse{Passes: true, Caution: caution}
	c.in = `[{"house": "h1", "area": {"amount": "40", "unit": "m2"}, "mix_volume": {"amount": "20", "unit": "L"},
	          "products": [{"product": "topspray", "amount": {"amount": "24", "unit": "g"}, "container": "bag-7"}]},
	         {"house": "h2", "area": {"amount": "10", "unit": "m2"}, "mix_volume": {"amount": "5", "unit": "L"}, "plants": 12,
	          "products": [{"product": "topspray", "amount": {"amount": "6", "unit": "g"}}]}]`
	args := []string{"treatment", "check", "--method", "spray", "--disorder", "powdery-mildew", "--lot", "l-0001"}
	_, errors, code := c.run(append(args, "--treatments-file", "-")...)
	require.Zero(t, code, errors)
	application := a.asked.(*treatmentv1.CheckApplicationRequest).GetApplication()
	require.Len(t, application.GetTreatments(), 2)
	require.Equal(t, "nurseries/test/products/topspray/containers/bag-7", application.GetTreatments()[0].GetProducts()[0].GetContainer())
	require.EqualValues(t, 12, application.GetTreatments()[1].GetPlants())
	require.Nil(t, application.GetConditions(), "what nobody said is absent")

	c.in = `[{"house": "h1", "products": [{"product": "topspray", "container": "bag 7"}]}]`
	_, errors, code = c.run(append(args, "--treatments-file", "-")...)
	require.Equal(t, 2, code)
	require.Contains(t, errors, "give PRODUCT/CONTAINER")

	_, errors, code = c.run(args...)
	require.Equal(t, 2, code)
	require.Contains(t, errors, "[house treatments-file]")
}

func TestProposeRanksAndSaysWhyOthersLost(t *testing.T) {
	c, a := newRuleClient(t)
	left := int32(3)
	a.proposed = &treatmentv1.ProposeProductsResponse{
		StartTime: utc(2, 5), ToBuy: []string{"azoxystrobin"}, Caution: caution,
		Proposed: []*treatmentv1.ProductOption{
			{
				Product: "nurseries/test/products/topspray", DisplayName: "Top Spray 500 WP", FracCodes: []string{"1"}, Rank: 1,
				Rate: amountOf("1.2", "g/L"), Amount: amountOf("24", "g"), MixVolume: amountOf("20", "L"),
				RestrictedEntryInterval: amountOf("12", "h"), InStore: amountOf("640", "g"),
				Cost: &typev1.Money{CurrencyCode: "ZAR", Amount: "38.40"}, ApplicationsLeft: &left,
				Reasons: []string{"Systemic, and works on the fungus.", "Its group was last used 62 days ago."},
			},
			{
				Product: "nurseries/test/products/copperflow", DisplayName: "Copper Flow", FracCodes: []string{"M01"}, Rank: 2,
				Rate: amountOf("1.5", "fl oz/100 gal"), Amount: amountOf("0.08", "fl oz"), MixVolume: amountOf("5", "gal"),
				RestrictedEntryInterval: amountOf("48", "h"), Reasons: []string{"Contact only."},
			},
		},
		Lost: []*treatmentv1.ProductOption{{
			Product: "nurseries/test/products/rootguard", FracCodes: []string{"4"},
			Reasons: []string{"label-use: the label has no spray.", "container-left: 2 g are left, 24 g are needed."},
		}},
	}
	args := []string{
		"treatment", "propose", "p-1/systemic-1", "--at", "2026-03-02 07:00", "--area", "40m2", "--mix", "20L",
		"--temperature", "24Cel", "--sunlit", "no", "--by", "wandile",
	}
	out, errors, code := c.run(args...)
	require.Zero(t, code, errors)
	golden(t, "treatment-propose.txt", out)
	sentAs(t, "treatment-propose-request.json", a.asked)

	a.proposed.Proposed = nil
	out, errors, code = c.run("treatment", "propose", "p-1/systemic-1")
	require.Equal(t, 3, code)
	require.Contains(t, out, "There are no products to propose.")
	require.Contains(t, out, "container-left: 2 g are left")
	require.Contains(t, errors, "no product may be applied in this step")
	request := a.asked.(*treatmentv1.ProposeProductsRequest)
	require.Nil(t, request.GetStartTime(), "the step decides about the time")
	require.Nil(t, request.GetConditions())
}

func TestRotationShowsTheSequenceOrTheConflict(t *testing.T) {
	c, a := newRuleClient(t)
	a.planned = &treatmentv1.PlanRotationResponse{Caution: caution, Applications: []*treatmentv1.PlannedApplication{
		{Date: &typev1.Date{Value: "2026-03-01"}, Product: "nurseries/test/products/topspray", DisplayName: "Top Spray 500 WP", FracCodes: []string{"1"}},
		{Date: &typev1.Date{Value: "2026-03-15"}, Product: "nurseries/test/products/twin", DisplayName: "Twin", FracCodes: []string{"7", "11"}},
	}}
	args := []string{
		"treatment", "rotation", "h1", "--from", "2026-03-01", "--to", "2026-03-31", "--every", "14", "--disorder", "powdery-mildew",
		"--method", "spray", "--product", "topspray,twin",
	}
	out, errors, code := c.run(args...)
	require.Zero(t, code, errors)
	golden(t, "treatment-rotation.txt", out)
	sentAs(t, "treatment-rotation-request.json", a.asked)

	a.planned = &treatmentv1.PlanRotationResponse{Caution: caution, Conflict: []*treatmentv1.RotationLimit{
		{Rule: "rotation-consecutive", Message: "Group 11 at most once in a row.", Source: "FRAC"},
	}}
	out, errors, code = c.run(args...)
	require.Equal(t, 3, code)
	require.Contains(t, errors, "no sequence keeps all limits")
	golden(t, "treatment-rotation-conflict.txt", out)

	a.planned.SmallestConflict = true
	out, _, code = c.run(args...)
	require.Equal(t, 3, code)
	require.Contains(t, out, "These together make it impossible. No fewer limits do.")
}

func TestMixPrintsTheSheetAsTheServerMadeIt(t *testing.T) {
	c, a := newRuleClient(t)
	a.mix = &treatmentv1.MixSheet{Text: "MIX SHEET\n50 % of 40 L  \n", Caution: caution}
	out, errors, code := c.run("treatment", "mix", "--method", "spray", "--disorder", "powdery-mildew",
		"--product", "topspray=1.2g/L", "--product", "copperflow=1.5floz/100gal", "--product", "wetter",
		"--area", "200m2", "--water-rate", "0.2L/m2", "--plants", "12", "--volume", "40L", "--tank", "15L", "--tank-minimum", "1L",
		"--measure", "jug=1L/10mL", "--measure", "scales=2kg/1g", "--injector", "100",
		"--bath-volume", "60L", "--carry-out", "2 fl oz", "--top-up-at", "20%", "--discard-after-plants", "400", "--discard-after", "12h")
	require.Zero(t, code, errors)
	require.Equal(t, a.mix.GetText(), out)
	sentAs(t, "treatment-mix-request.json", a.asked)

	out, errors, code = c.run("treatment", "mix", "--method", "spray", "--disorder", "powdery-mildew", "--product", "topspray", "--volume", "5gal", "--json")
	require.Zero(t, code, errors)
	read := &treatmentv1.MixSheet{}
	require.NoError(t, protojson.Unmarshal([]byte(out), read))
	require.True(t, proto.Equal(a.mix, read))
	require.Nil(t, a.asked.(*treatmentv1.CalculateMixRequest).GetBath())
}

func TestCalibrate(t *testing.T) {
	c, a := newRuleClient(t)
	a.calibrated = &treatmentv1.CalibrateSprayerResponse{
		Output: amountOf("1.82", "L/min"), Speed: amountOf("5", "km/h"), VolumeRate: amountOf("145.6", "L/ha"), VolumeRateUs: amountOf("15.565", "gal/acre"),
		ReplaceSet: true, Sources: []string{"1/128 acre method"},
		Nozzles: []*treatmentv1.NozzleFinding{
			{Number: 1, Output: amountOf("0.9", "L/min"), Message: "as a new one"},
			{Number: 2, Output: amountOf("0.92", "L/min"), Replace: true, Message: "gives more than 110 % of a new one"},
		},
	}
	out, errors, code := c.run("treatment", "calibrate", "--caught", "450 mL/30 s", "--caught", "460mL/30s", "--swath", "1.5 m", "--course", "50 m/36 s",
		"--new-nozzle", "0.9 L/min")
	require.Zero(t, code, errors)
	golden(t, "treatment-calibrate.txt", out)
	sentAs(t, "treatment-calibrate-request.json", a.asked)

	_, errors, code = c.run("treatment", "calibrate", "--caught", "450mL/30s", "--swath", "1.5m", "--speed", "5km/h")
	require.Zero(t, code, errors)
	require.Equal(t, "5", a.asked.(*treatmentv1.CalibrateSprayerRequest).GetSpeed().GetAmount())
	require.Nil(t, a.asked.(*treatmentv1.CalibrateSprayerRequest).GetCourseLength())

	for _, wrong := range [][]string{
		{"--caught", "450mL/30s", "--swath", "1.5m"},
		{"--caught", "450mL/30s", "--swath", "1.5m", "--speed", "5km/h", "--course", "50m/36s"},
		{"--caught", "450mL", "--swath", "1.5m", "--speed", "5km/h"},
	} {
		_, _, code = c.run(append([]string{"treatment", "calibrate"}, wrong...)...)
		require.Equal(t, 2, code, wrong)
	}
}

func someAssessment() *treatmentv1.ReleaseAssessment {
	return &treatmentv1.ReleaseAssessment{
		Statement: "240 of 240 plants clean twice: with 95 % confidence at most 1.2 % carry signs.",
		Missing:   []string{"59 more plants must be looked at.", "The inspections must span 9 more days."},
		Plants:    240, PlantsNeeded: 139, Confidence: amountOf("92.1", "%"), PrevalenceRuledOut: amountOf("1.2", "%"),
		SpanDays: 12, SpanDaysNeeded: 21, Sources: []string{"ISPM 31", "latent period of the disorder"}, Caution: "A sample, not a certificate.",
		FirstInspectionAfterDays: 5, InspectionsApartDays: 21, LastSampled: 181, LastAffected: 2, IncidenceLow: 2, IncidenceHigh: 5,
	}
}

func TestAssessStatesWhatIsMissing(t *testing.T) {
	c, a := newRuleClient(t)
	a.assessed = someAssessment()
	out, errors, code := c.run("treatment", "assess", "p-1")
	require.Equal(t, 3, code)
	require.Contains(t, errors, "do not show what a release needs")
	golden(t, "treatment-assess.txt", out)
	require.Equal(t, "nurseries/test/programs/p-1", a.asked.(*treatmentv1.AssessReleaseRequest).GetName())

	a.assessed = &treatmentv1.ReleaseAssessment{Sufficient: true, Statement: "Enough.", Caution: "A sample."}
	_, errors, code = c.run("treatment", "assess", "p-1")
	require.Zero(t, code, errors)
}

func someBreach() *treatmentv1.Application {
	no, yes := false, true
	return &treatmentv1.Application{
		Name: "nurseries/test/applications/breach-1", Method: productsv1.Method_METHOD_SPRAY, Disorder: "powdery-mildew",
		Lots: []string{"nurseries/test/lots/l-0001"}, StartTime: utc(2, 5), EndTime: utc(2, 6), Applicator: "nurseries/test/people/wandile",
		Treatments: []*treatmentv1.HouseTreatment{{
			House: "nurseries/test/houses/h1", Area: amountOf("900", "ft2"), MixVolume: amountOf("5", "gal"), Plants: 240, Chemigation: true,
			Products: []*treatmentv1.ProductUse{{
				Product: "nurseries/test/products/topspray", Amount: amountOf("80", "g"), Container: "nurseries/test/products/topspray/containers/bag-7",
			}},
		}},
		Verdicts: someVerdicts()[:3], BreachNote: "scale read in ounces",
		Overrides:  []*treatmentv1.Override{{Rule: "rotation-return", Note: "no other product", Person: "nurseries/test/people/mira"}},
		Conditions: &treatmentv1.Conditions{Temperature: amountOf("24", "Cel"), OpenBloom: &no, Sunlit: &yes},
	}
}

func TestBreachIsRecordedAndShown(t *testing.T) {
	c, a := newRuleClient(t)
	a.application = someBreach()
	out, errors, code := c.run(append([]string{
		"treatment", "breach", "--start", "2026-03-02 07:00", "--end", "2026-03-02 08:00", "--program", "p-1", "--note", "scale read in ounces",
		"--request-id", "6f1b4c1e-8f0a-4a3e-9d2b-0c5d7e8f9a10",
	}, proposedArgs...)...)
	require.Zero(t, code, errors)
	golden(t, "treatment-breach.txt", out)
	sentAs(t, "treatment-breach-request.json", a.asked)

	out, errors, code = c.run("treatment", "application", "get", "breach-1")
	require.Zero(t, code, errors)
	golden(t, "treatment-breach.txt", out)

	out, errors, code = c.run("treatment", "applications")
	require.Zero(t, code, errors)
	golden(t, "treatment-applications.txt", out)
}

func TestApplicationOfWhichLittleIsKnown(t *testing.T) {
	c, a := newRuleClient(t)
	a.application = &treatmentv1.Application{Name: "nurseries/test/applications/a-1", RestrictedEntryInterval: amountOf("12", "h")}
	out, errors, code := c.run("treatment", "application", "get", "a-1")
	require.Zero(t, code, errors)
	require.NotContains(t, out, "Conditions")
	require.NotContains(t, out, "Breach")
	require.Contains(t, out, "12 h")
}

func TestConfirmSendsOverridesAndShowsWarningsAndTheRelease(t *testing.T) {
	c, a := newRuleClient(t)
	a.confirmed = &treatmentv1.ConfirmStepResponse{
		Step:    &treatmentv1.Step{Name: "nurseries/test/programs/p-1/steps/release-1", State: treatmentv1.StepState_STEP_STATE_CONFIRMED},
		Program: &treatmentv1.Program{Name: "nurseries/test/programs/p-1", State: treatmentv1.ProgramState_PROGRAM_STATE_RELEASED, Round: 1, Template: &treatmentv1.Template{DisplayName: "Virus", Version: 2}},
		Release: someAssessment(), Verdicts: someVerdicts()[1:],
	}
	out, errors, code := c.run("treatment", "confirm", "p-1/release-1", "--start", "2026-03-02 07:00", "--end", "2026-03-02 08:00",
		"--override", "rotation-return=no other product", "--override", "release-evidence=mother plants, kept apart", "--open-bloom", "no")
	require.Zero(t, code, errors)
	golden(t, "treatment-confirm-release.txt", out)
	said := a.asked.(*treatmentv1.ConfirmStepRequest).GetConfirmation()
	require.Equal(t, "mother plants, kept apart", said.GetOverrides()[1].GetNote())
	require.Equal(t, "release-evidence", said.GetOverrides()[1].GetRule())
	require.NotNil(t, said.GetConditions().OpenBloom)
	require.False(t, said.GetConditions().GetOpenBloom())
	require.Nil(t, said.GetConditions().Sunlit)
	require.Empty(t, said.GetTreatments())

	_, errors, code = c.run("treatment", "confirm", "p-1/release-1", "--start", "2026-03-02 07:00", "--end", "2026-03-02 08:00", "--override", "rotation-return")
	require.Equal(t, 2, code)
	require.Contains(t, errors, "RULE=REASON")
}

func TestALeftoverWithoutItsHouseIsNotDropped(t *testing.T) {
	c, _ := newRuleClient(t)
	_, errors, code := c.run("treatment", "confirm", "p-1/contact-1", "--start", "2026-03-02 07:00", "--end", "2026-03-02 08:00", "--leftover", "1L")
	require.Equal(t, 2, code)
	require.Contains(t, errors, "--house")
}

func TestHistoryShowsStatementsAndOverrides(t *testing.T) {
	c, a := newRuleClient(t)
	a.events = &treatmentv1.ListProgramEventsResponse{Events: []*treatmentv1.ProgramEvent{{
		Sequence: 9, Kind: "step_confirmed", Step: "nurseries/test/programs/p-1/steps/release-1", Person: "nurseries/test/people/mira",
		EventTime: utc(2, 6), Note: "done", Statement: "At most 1.2 % carry signs.",
		Confirmation: &treatmentv1.Confirmation{Overrides: []*treatmentv1.Override{{Rule: "release-evidence", Note: "kept apart"}}},
	}}}
	out, errors, code := c.run("treatment", "events", "p-1")
	require.Zero(t, code, errors)
	golden(t, "treatment-events.txt", out)
}

func TestTemplateShowsWhatAReleaseNeeds(t *testing.T) {
	c, _ := newRuleClient(t)
	out, errors, code := c.run("treatment", "template", "get", "virus")
	require.Zero(t, code, errors)
	golden(t, "treatment-template.txt", out)
}

func TestLedgerShowsBreachesAndKeepsPeopleOutWhereNothingIsKnown(t *testing.T) {
	c, a := newRuleClient(t)
	a.entry = &recordsv1.Entry{
		Name: "nurseries/test/entries/12", House: "nurseries/test/houses/h1", ProductDisplayName: "Top Spray 500 WP", StartTime: utc(2, 5),
		ProductAmount: amountOf("0.5", "lb"), BreachNote: "scale read in ounces",
		BreachRules: []string{"label-rate-max"},
		Overrides:   []*recordsv1.Override{{Rule: "rotation-consecutive", Note: "nothing else in the store", Person: "nurseries/test/people/mira"}},
	}
	out, errors, code := c.run("records", "entry", "12")
	require.Zero(t, code, errors)
	golden(t, "records-breach-entry.txt", out)

	out, errors, code = c.run("records", "entries")
	require.Zero(t, code, errors)
	golden(t, "records-breach-entries.txt", out)
}
