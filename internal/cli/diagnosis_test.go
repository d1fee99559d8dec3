package cli_test

import (
	"context"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	identityv1 "velamen/gen/velamen/identity/v1"
	"velamen/internal/cli"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
)

// signAnswers serves fixed answers about assessments, samples and duties and keeps
// what it was asked.
type signAnswers struct {
	diagnosisv1.UnimplementedDiagnosisServiceServer
	asked proto.Message
}

func (a *signAnswers) AssessSigns(_ context.Context, r *diagnosisv1.AssessSignsRequest) (*diagnosisv1.Assessment, error) {
	a.asked = r
	return anAssessment(), nil
}

func (a *signAnswers) ListDisorders(context.Context, *diagnosisv1.ListDisordersRequest) (*diagnosisv1.ListDisordersResponse, error) {
	shortest, longest := int32(1), int32(5)
	return &diagnosisv1.ListDisordersResponse{Disorders: []*diagnosisv1.Disorder{{
		Id: "black-rot", DisplayName: "Black rot", Causes: []string{"Phytophthora cactorum", "Pythium ultimum"},
		DisorderClass: diagnosisv1.DisorderClass_DISORDER_CLASS_OOMYCETE, Plants: []string{"orchid: common"}, LookAlikes: []string{"bacterial-soft-rot"},
		LatentMinDays: &shortest, LatentMaxDays: &longest, Contagion: diagnosisv1.Contagion_CONTAGION_VERY_HIGH,
		Routes:       []diagnosisv1.Route{diagnosisv1.Route_ROUTE_SPLASH, diagnosisv1.Route_ROUTE_TOOLS},
		FungicideUse: diagnosisv1.FungicideUse_FUNGICIDE_USE_OOMYCETE_ONLY, FungicideNote: "Most do nothing.", FavouredBy: "24 to 32 °C, free water",
		Confirmation: "Lateral-flow strip.", Hygiene: "Cut into sound tissue.", Disposal: "Bag it.", Environment: []string{"Keep leaves dry."},
		Signs: []*diagnosisv1.Expectation{{Sign: "black-advancing-rot", Organs: []diagnosisv1.Organ{diagnosisv1.Organ_ORGAN_CROWN}, Chance: "usually", Sources: []string{"from memory"}}},
	}, {
		Id: "phytophthora-root-rot", DisplayName: "Phytophthora root rot", Causes: []string{"Phytophthora cactorum", "Phytophthora nicotianae"},
	}}}, nil
}

func (a *signAnswers) ListTests(_ context.Context, r *diagnosisv1.ListTestsRequest) (*diagnosisv1.ListTestsResponse, error) {
	a.asked = r
	return &diagnosisv1.ListTestsResponse{Tests: []*diagnosisv1.Test{{
		Id: "oomycete-strip", DisplayName: "Lateral-flow strip for oomycetes", Kind: diagnosisv1.TestKind_TEST_KIND_KIT, Finds: []string{"black-rot"},
		SampleOrgans: []diagnosisv1.Organ{diagnosisv1.Organ_ORGAN_LEAF}, SensitivityPercent: "90", SpecificityPercent: "95", Minutes: 20,
	}, {
		Id: "moist-chamber", DisplayName: "Moist chamber", Kind: diagnosisv1.TestKind_TEST_KIND_BENCH, Finds: []string{"grey-mould"},
		SampleOrgans: []diagnosisv1.Organ{diagnosisv1.Organ_ORGAN_LEAF}, SensitivityPercent: "75", SpecificityPercent: "90", Minutes: 15, Days: 3, DesignValues: true,
	}}}, nil
}

func (a *signAnswers) CreateSample(_ context.Context, r *diagnosisv1.CreateSampleRequest) (*diagnosisv1.Sample, error) {
	a.asked = r
	return aSample(), nil
}

func (a *signAnswers) ReceiveSample(_ context.Context, r *diagnosisv1.ReceiveSampleRequest) (*diagnosisv1.Sample, error) {
	a.asked = r
	return aSample(), nil
}

func (a *signAnswers) RecordSampleResult(_ context.Context, r *diagnosisv1.RecordSampleResultRequest) (*diagnosisv1.Sample, error) {
	a.asked = r
	return aSample(), nil
}

func (a *signAnswers) GetSample(context.Context, *diagnosisv1.GetSampleRequest) (*diagnosisv1.Sample, error) {
	return aSample(), nil
}

func (a *signAnswers) ListSamples(_ context.Context, r *diagnosisv1.ListSamplesRequest) (*diagnosisv1.ListSamplesResponse, error) {
	a.asked = r
	return &diagnosisv1.ListSamplesResponse{Samples: []*diagnosisv1.Sample{aSample()}}, nil
}

func (a *signAnswers) ConfirmDiagnosis(_ context.Context, r *diagnosisv1.ConfirmDiagnosisRequest) (*diagnosisv1.Diagnosis, error) {
	a.asked = r
	return &diagnosisv1.Diagnosis{
		Name: "nurseries/test/diagnoses/d-1", Disorder: "ramorum-blight", DisorderClass: diagnosisv1.DisorderClass_DISORDER_CLASS_OOMYCETE,
		Grounds: "PCR", Inspections: r.GetDiagnosis().GetInspections(), Samples: r.GetDiagnosis().GetSamples(), ConfirmTime: utc(3, 8),
		Confirmer: "nurseries/test/people/mira", Duties: []string{"nurseries/test/duties/x-1"}, Assessment: anAssessment(),
	}, nil
}

func (a *signAnswers) CreateDuty(_ context.Context, r *diagnosisv1.CreateDutyRequest) (*diagnosisv1.Duty, error) {
	a.asked = r
	return aDuty(), nil
}

func (a *signAnswers) RecordNotification(_ context.Context, r *diagnosisv1.RecordNotificationRequest) (*diagnosisv1.Duty, error) {
	a.asked = r
	return aDuty(), nil
}

func (a *signAnswers) EndDuty(_ context.Context, r *diagnosisv1.EndDutyRequest) (*diagnosisv1.Duty, error) {
	a.asked = r
	return aDuty(), nil
}

func (a *signAnswers) GetDuty(context.Context, *diagnosisv1.GetDutyRequest) (*diagnosisv1.Duty, error) {
	return aDuty(), nil
}

func (a *signAnswers) ListDuties(_ context.Context, r *diagnosisv1.ListDutiesRequest) (*diagnosisv1.ListDutiesResponse, error) {
	a.asked = r
	late := aDuty()
	late.Name, late.State, late.Overdue = "nurseries/test/duties/x-0", diagnosisv1.DutyState_DUTY_STATE_OPEN, true
	return &diagnosisv1.ListDutiesResponse{Duties: []*diagnosisv1.Duty{late, aDuty()}}, nil
}

func (a *signAnswers) ListRegulatedPests(_ context.Context, r *diagnosisv1.ListRegulatedPestsRequest) (*diagnosisv1.ListRegulatedPestsResponse, error) {
	a.asked = r
	response := &diagnosisv1.ListRegulatedPestsResponse{Caution: "No list is complete."}
	if r.GetParent() == "" {
		response.Pests = []*diagnosisv1.RegulatedPest{{
			Id: "ramorum-gb", Disorder: "ramorum-blight", Pests: []string{"Phytophthora ramorum"}, Jurisdictions: []string{"GB"}, Status: "quarantine pest",
			Authority: "the plant health service", Duty: "Tell it at once.", DestroyWithinM: "2", HoldWithinM: "10", HoldDays: 92, NoMasking: true, Source: "from memory",
		}, {
			Id: "rust-us", Disorder: "rust", Pests: []string{"Uredo"}, Genera: []string{"A", "B", "C", "D", "E", "F", "G", "H", "I", "J"}, Jurisdictions: []string{"US"},
			Status: "actionable at import", Authority: "the inspector", NotifyWithinHours: 24, Duty: "Hold it.", Source: "from memory",
		}}
	}
	return response, nil
}

func (a *signAnswers) ListSigns(context.Context, *diagnosisv1.ListSignsRequest) (*diagnosisv1.ListSignsResponse, error) {
	return &diagnosisv1.ListSignsResponse{Signs: []*diagnosisv1.Sign{
		{Id: "spots", Organs: []diagnosisv1.Organ{diagnosisv1.Organ_ORGAN_LEAF, diagnosisv1.Organ_ORGAN_STEM}, Description: "Spots."},
		{Id: "brown-soft-roots", Organs: []diagnosisv1.Organ{diagnosisv1.Organ_ORGAN_ROOT}, Description: "Brown, soft roots."},
	}}, nil
}

const firstPhoto, secondPhoto = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08", "9f86d081f0000000000000000000000000000000000000000000000000000000"

func (a *signAnswers) GetInspection(_ context.Context, r *diagnosisv1.GetInspectionRequest) (*diagnosisv1.Inspection, error) {
	inspection := &diagnosisv1.Inspection{Name: r.GetName(), Target: "nurseries/test/lots/l-0001", InspectTime: utc(1, 8), PlantsSampled: 40}
	for _, id := range []string{firstPhoto, secondPhoto} {
		inspection.Photos = append(inspection.Photos, &diagnosisv1.Photo{Name: r.GetName() + "/photos/" + id, MediaType: "image/jpeg"})
	}
	if r.GetName() == "nurseries/test/inspections/i-2" {
		inspection.PlantsAffected = 3
	}
	return inspection, nil
}

func (a *signAnswers) DownloadPhoto(r *diagnosisv1.DownloadPhotoRequest, stream grpc.ServerStreamingServer[diagnosisv1.DownloadPhotoResponse]) error {
	a.asked = r
	return stream.Send(&diagnosisv1.DownloadPhotoResponse{Data: []byte("small")})
}

func anAssessment() *diagnosisv1.Assessment {
	return &diagnosisv1.Assessment{
		Candidates: []*diagnosisv1.Candidate{{
			Disorder: "black-rot", DisplayName: "Black rot", DisorderClass: diagnosisv1.DisorderClass_DISORDER_CLASS_OOMYCETE, ProbabilityPercent: "61.1",
			Why: "A black rot advances on the crown.", FungicideUse: diagnosisv1.FungicideUse_FUNGICIDE_USE_OOMYCETE_ONLY, FungicideNote: "Most do nothing.",
			Contagion: diagnosisv1.Contagion_CONTAGION_VERY_HIGH, Tests: []string{"oomycete-strip", "oomycete-elisa", "oomycete-pcr"}, Confirmation: "Lateral-flow strip.",
			EvidenceFor: []*diagnosisv1.Evidence{{Organ: diagnosisv1.Organ_ORGAN_CROWN, Sign: "black-advancing-rot", LikelihoodRatio: "12.4",
				Sentence: "Black rot advances.", Sources: []string{"St Augustine Orchid Society, Black rot"}}},
			EvidenceAgainst: []*diagnosisv1.Evidence{{LikelihoodRatio: "0.71", Sentence: "It is cool.", Sources: []string{"from memory"}}},
			WouldChange:     []string{"A foul smell would put bacterial soft rot first."}, Environment: []string{"Keep leaves dry."}, Hygiene: "Cut into sound tissue.",
		}, {DisplayName: "None of the disorders that velamen knows", ProbabilityPercent: "7.0", Why: "Something else."}},
		Pairs: []*diagnosisv1.Pair{{Disorders: []string{"black-rot", "bacterial-soft-rot"}, ProbabilityPercent: "5.5"}},
		Questions: []*diagnosisv1.Question{
			{Organ: diagnosisv1.Organ_ORGAN_CROWN, Sign: "slimy", Sentence: "Feel whether it is slimy.", Minutes: 1, ExpectedInformation: "0.40",
				FirstIfFound: "bacterial-soft-rot", PercentIfFound: "70.0", FirstIfAbsent: "black-rot", PercentIfAbsent: "80.0"},
			{Test: "oomycete-pcr", Sentence: "Send a leaf for PCR.", Minutes: 15, Days: 7, ExpectedInformation: "0.80", FirstIfFound: "black-rot", PercentIfFound: "97.0", PercentIfAbsent: "40.0"},
		},
		Precautions: []*diagnosisv1.Precaution{
			{Kind: diagnosisv1.PrecautionKind_PRECAUTION_KIND_HOLD_AND_NOTIFY, Disorder: "ramorum-blight", ProbabilityPercent: "6.0", ThresholdPercent: "5.0",
				Sentence: "Move nothing and tell the plant health service at once.", Source: "from memory", NotifyByTime: utc(2, 8)},
			{Kind: diagnosisv1.PrecautionKind_PRECAUTION_KIND_ISOLATE_NOW, Disorder: "black-rot", ProbabilityPercent: "66.0", ThresholdPercent: "10.0",
				Sentence: "Set the plants apart now.", Source: "design value"},
			{Kind: diagnosisv1.PrecautionKind_PRECAUTION_KIND_NO_FUNGICIDE, Disorder: "bacterial-soft-rot", ProbabilityPercent: "66.0", Sentence: "Apply nothing.", Source: "from memory"},
		},
		Summary: "Black rot comes first (61 %) but is not sure.", PlantGroup: "orchid", Conditions: &diagnosisv1.SiteConditions{Temperature: amountOf("18.0", "Cel"), Light: diagnosisv1.Light_LIGHT_LOW},
		Observations: []*diagnosisv1.Observation{{Organ: diagnosisv1.Organ_ORGAN_CROWN, Sign: "black-advancing-rot", Presence: diagnosisv1.Presence_PRESENCE_OBSERVED}},
		Samples:      []string{"nurseries/test/samples/s-1"}, KnowledgeVersion: "0123456789abcdef0123456789abcdef", Notes: []string{"Nobody looked at the roots."}, Caution: "A proposal and no diagnosis.",
	}
}

func aSample() *diagnosisv1.Sample {
	return &diagnosisv1.Sample{
		Name: "nurseries/test/samples/s-1", Inspection: "nurseries/test/inspections/i-1", Test: "oomycete-strip", Organs: []diagnosisv1.Organ{diagnosisv1.Organ_ORGAN_LEAF},
		Plants: 3, Laboratory: "ourselves", Reference: "L-17", SendTime: utc(1, 8), Sender: "nurseries/test/people/wandile", ReceiveTime: utc(2, 8),
		State: diagnosisv1.SampleState_SAMPLE_STATE_REPORTED, Outcome: diagnosisv1.TestOutcome_TEST_OUTCOME_POSITIVE, Disorder: "black-rot",
		Report: "two of three", ReportTime: utc(3, 8), Reporter: "nurseries/test/people/mira",
	}
}

func aDuty() *diagnosisv1.Duty {
	return &diagnosisv1.Duty{
		Name: "nurseries/test/duties/x-1", Pest: "ramorum-gb", State: diagnosisv1.DutyState_DUTY_STATE_NOTIFIED, Demand: "Tell it at once.", Authority: "the plant health service",
		Source: "from memory", Lots: []string{"nurseries/test/lots/l-0001"}, Inspections: []string{"nurseries/test/inspections/i-1"}, SuspectTime: utc(2, 8), NotifyByTime: utc(2, 8),
		Raiser: "nurseries/test/people/mira", NotifyTime: utc(2, 9), Notifier: "nurseries/test/people/mira", Reference: "case 12",
	}
}

func newSignClient(t *testing.T) (*client, *signAnswers) {
	t.Helper()
	a := &signAnswers{}
	c := newClient(t)
	c.conn = rpctest.Serve(t, func(server *rpc.Server) {
		identityv1.RegisterIdentityServiceServer(server, c.answers)
		diagnosisv1.RegisterDiagnosisServiceServer(server, a)
	})
	return c, a
}

func TestAnAssessmentIsShownWithWhatIsMostUrgentFirst(t *testing.T) {
	c, a := newSignClient(t)
	args := []string{"diagnosis", "assess", "--inspection", "i-1", "--sign", "crown:black-advancing-rot", "--sign", "crown:foul-smell=absent",
		"--plant", "Phalaenopsis amabilis", "--temperature", "64.4degF", "--humidity", "90%", "--wet", "6h", "--light", "low", "--wet-medium", "no", "--candidates", "2"}
	_, errors, code := c.run(args...)
	require.NotZero(t, code, "degrees Fahrenheit are no unit of the contract: %s", errors)
	args[11] = "18Cel"
	out, errors, code := c.run(args...)
	require.Zero(t, code, errors)
	golden(t, "diagnosis-assess.txt", out)
	sentAs(t, "diagnosis-assess-request.json", a.asked)
	out, errors, code = c.run(append(args, "--all")...)
	require.Zero(t, code, errors)
	require.Contains(t, out, "Something else.")
	_, errors, code = c.run("diagnosis", "assess")
	require.Equal(t, 2, code)
	require.Contains(t, errors, "[inspection sign]")
}

func TestKnowledgeIsShown(t *testing.T) {
	c, _ := newSignClient(t)
	out, errors, code := c.run("diagnosis", "disorder", "black-rot")
	require.Zero(t, code, errors)
	golden(t, "diagnosis-disorder.txt", out)
	_, errors, code = c.run("diagnosis", "disorder", "bad-luck")
	require.Equal(t, 2, code)
	require.Contains(t, errors, "there is no such disorder")
	for _, name := range []string{"BLACK rot", "pythium ultimum", "Pythium", "ack-ro"} {
		same, errors, code := c.run("diagnosis", "disorder", name)
		require.Zero(t, code, errors)
		require.Equal(t, out, same, name)
	}
	_, errors, code = c.run("diagnosis", "disorder", "phytophthora cactorum")
	require.Equal(t, 2, code)
	require.Contains(t, errors, "give one of black-rot, phytophthora-root-rot")
	_, _, code = c.run("diagnosis", "disorder", " ")
	require.Equal(t, 2, code)
	out, errors, code = c.run("diagnosis", "signs", "--organ", "leaf")
	require.Zero(t, code, errors)
	require.Contains(t, out, "spots")
	require.NotContains(t, out, "brown-soft-roots")
	out, errors, code = c.run("diagnosis", "test", "list", "--disorder", "black-rot")
	require.Zero(t, code, errors)
	golden(t, "diagnosis-tests.txt", out)
}

func TestSamplesAreEnteredAndShown(t *testing.T) {
	c, a := newSignClient(t)
	out, errors, code := c.run("diagnosis", "sample", "send", "i-1", "--test", "oomycete-strip", "--plants", "3", "--organ", "leaf,crown", "--laboratory", "ourselves",
		"--when", "2026-03-01 10:00", "--request-id", "0199b1f2-0000-4000-8000-000000000001")
	require.Zero(t, code, errors)
	golden(t, "diagnosis-sample.txt", out)
	sentAs(t, "diagnosis-sample-request.json", a.asked)
	_, errors, code = c.run("diagnosis", "sample", "receive", "s-1", "--reference", "L-17")
	require.Zero(t, code, errors)
	require.Equal(t, "L-17", a.asked.(*diagnosisv1.ReceiveSampleRequest).GetReference())
	_, errors, code = c.run("diagnosis", "sample", "result", "s-1", "--outcome", "positive", "--disorder", "black-rot")
	require.Zero(t, code, errors)
	require.Equal(t, diagnosisv1.TestOutcome_TEST_OUTCOME_POSITIVE, a.asked.(*diagnosisv1.RecordSampleResultRequest).GetOutcome())
	out, errors, code = c.run("diagnosis", "sample", "list", "--inspection", "i-1")
	require.Zero(t, code, errors)
	golden(t, "diagnosis-samples.txt", out)
	again, errors, code := c.run("diagnosis", "sample", "get", "s-1")
	require.Zero(t, code, errors)
	require.Contains(t, again, "two of three")
}

func TestDutiesAreEnteredAndShown(t *testing.T) {
	c, a := newSignClient(t)
	out, errors, code := c.run("diagnosis", "duty", "raise", "--pest", "ramorum-gb", "--lot", "l-0001", "--inspection", "i-1", "--since", "2026-03-02 10:00",
		"--request-id", "0199b1f2-0000-4000-8000-000000000001")
	require.Zero(t, code, errors)
	golden(t, "diagnosis-duty.txt", out)
	sentAs(t, "diagnosis-duty-request.json", a.asked)
	_, errors, code = c.run("diagnosis", "duty", "notify", "x-1", "--reference", "case 12")
	require.Zero(t, code, errors)
	require.Equal(t, "nurseries/test/duties/x-1", a.asked.(*diagnosisv1.RecordNotificationRequest).GetName())
	_, errors, code = c.run("diagnosis", "duty", "end", "x-1", "--grounds", "letter")
	require.Zero(t, code, errors)
	require.Equal(t, "letter", a.asked.(*diagnosisv1.EndDutyRequest).GetGrounds())
	out, errors, code = c.run("diagnosis", "duty", "list")
	require.Zero(t, code, errors)
	golden(t, "diagnosis-duties.txt", out)
	again, errors, code := c.run("diagnosis", "duty", "get", "x-1")
	require.Zero(t, code, errors)
	require.Contains(t, again, cli.Caution)
	_, errors, code = c.run("diagnosis", "duty", "get", "a/b")
	require.Equal(t, 2, code)
	require.Contains(t, errors, "give DUTY, or the whole name nurseries/NURSERY/duties/DUTY")
}

func TestRegulatedPestsAreShown(t *testing.T) {
	c, a := newSignClient(t)
	out, errors, code := c.run("diagnosis", "pest", "list", "--all")
	require.Zero(t, code, errors)
	golden(t, "diagnosis-pests.txt", out)
	out, errors, code = c.run("diagnosis", "pest", "list")
	require.Zero(t, code, errors)
	require.Equal(t, "nurseries/test", a.asked.(*diagnosisv1.ListRegulatedPestsRequest).GetParent())
	require.Contains(t, out, "There are no regulated pests known here.")
	require.Contains(t, out, "No list is complete.")
}

func TestADiagnosisOfARegulatedPestSaysWhatToDo(t *testing.T) {
	c, a := newSignClient(t)
	out, errors, code := c.run("diagnosis", "confirm", "--inspection", "i-1", "--sample", "s-1", "--disorder", "ramorum-blight", "--grounds", "PCR")
	require.Zero(t, code, errors)
	require.Equal(t, []string{"nurseries/test/samples/s-1"}, a.asked.(*diagnosisv1.ConfirmDiagnosisRequest).GetDiagnosis().GetSamples())
	golden(t, "diagnosis-confirm.txt", out)
}

func TestSeverityIsShownWherePlantsHaveSigns(t *testing.T) {
	c, _ := newSignClient(t)
	out, errors, code := c.run("diagnosis", "inspection", "get", "i-1")
	require.Zero(t, code, errors)
	require.NotContains(t, out, "Severity")
	out, _, _ = c.run("diagnosis", "inspection", "get", "i-2")
	require.Contains(t, out, "0 %")
}

func TestAPhotoIsNamedByItsBeginning(t *testing.T) {
	c, a := newSignClient(t)
	for beginning, says := range map[string]string{
		"9f86d081":   "2 photos of the inspection begin with it",
		"9f86d081aa": "no photo of inspection i-1 begins with it",
	} {
		_, errors, code := c.run("diagnosis", "photo", "save", "i-1/"+beginning, "--to", "-")
		require.Equal(t, 2, code)
		require.Contains(t, errors, says)
		require.Nil(t, a.asked)
	}
	for _, beginning := range []string{firstPhoto[:9], firstPhoto} {
		_, errors, code := c.run("diagnosis", "photo", "save", "i-1/"+beginning, "--to", "-")
		require.Zero(t, code, errors)
		require.Equal(t, "nurseries/test/inspections/i-1/photos/"+firstPhoto, a.asked.(*diagnosisv1.DownloadPhotoRequest).GetName())
	}
}

func TestMessagesShowWhatIsWanted(t *testing.T) {
	c, a := newSignClient(t)
	for _, test := range []struct {
		args []string
		says string
	}{
		{[]string{"diagnosis", "assess", "--sign", "leaf:spots", "--temperature", "85"}, `"85" has no unit; write it as in 24Cel`},
		{[]string{"diagnosis", "assess", "--sign", "leaf:spots", "--wet", "6"}, "as in 6h"},
		{[]string{"diagnosis", "assess", "--sign", "leaf:spots", "--light", "dim"}, `"dim" is none of low, `},
		{[]string{"diagnosis", "inspect", "--lot", "l-1", "--sampled", "forty"}, `--sampled "forty": it must be a whole number`},
		{[]string{"diagnosis", "inspect", "--lot", "l-1", "--sampled", "99999999999999999999"}, "the number is too large"},
		{[]string{"diagnosis", "photo", "save", "i-1/9f86d081", "--to", "-", "--thumbnail=maybe"}, "it must be true or false"},
		{[]string{"treatment", "trace", "--lot", "l-0001"}, "--disorder"},
		{[]string{"treatment", "trace"}, "give a CASE"},
	} {
		_, errors, code := c.run(test.args...)
		require.Equal(t, 2, code, test.args)
		require.Contains(t, errors, test.says)
		require.NotContains(t, errors, "strconv")
	}
	require.Nil(t, a.asked)
	for _, degrees := range []string{"27C", "27 °C", "27Cel"} {
		_, errors, code := c.run("diagnosis", "assess", "--sign", "leaf:spots", "--temperature", degrees)
		require.Zero(t, code, errors)
		require.Equal(t, "Cel", a.asked.(*diagnosisv1.AssessSignsRequest).GetConditions().GetTemperature().GetUnit())
	}
}

func TestAThumbnailIsSaved(t *testing.T) {
	c, a := newSignClient(t)
	file := filepath.Join(t.TempDir(), "small.jpg")
	_, errors, code := c.run("diagnosis", "photo", "save", "i-1/abc", "--thumbnail", "--to", file)
	require.Zero(t, code, errors)
	require.True(t, a.asked.(*diagnosisv1.DownloadPhotoRequest).GetThumbnail())
	saved, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, "small", string(saved))
}
