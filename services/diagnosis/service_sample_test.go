package diagnosis_test

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
)

func sampleRequest(inspection string) *diagnosisv1.CreateSampleRequest {
	return &diagnosisv1.CreateSampleRequest{Parent: parent, RequestId: uuid.NewString(), Sample: &diagnosisv1.Sample{
		Inspection: inspection, Test: "oomycete-strip", Organs: []diagnosisv1.Organ{leaf}, Plants: 3,
		Laboratory: "ourselves", SendTime: timestamppb.New(today.Add(-2 * time.Hour)), Note: "from the edge",
	}}
}

func (n *nursery) sample(t *testing.T, inspection, test string) *diagnosisv1.Sample {
	t.Helper()
	request := sampleRequest(inspection)
	request.Sample.Test, request.Sample.Organs = test, nil
	sent, err := n.client.CreateSample(n.worker, request)
	require.NoError(t, err)
	return sent
}

func (n *nursery) report(sample string, outcome diagnosisv1.TestOutcome, disorder string) (*diagnosisv1.Sample, error) {
	return n.client.RecordSampleResult(n.manager, &diagnosisv1.RecordSampleResultRequest{
		Name: sample, Outcome: outcome, Disorder: disorder, Report: "as written", RequestId: uuid.NewString(),
	})
}

const (
	positive     = diagnosisv1.TestOutcome_TEST_OUTCOME_POSITIVE
	negative     = diagnosisv1.TestOutcome_TEST_OUTCOME_NEGATIVE
	inconclusive = diagnosisv1.TestOutcome_TEST_OUTCOME_INCONCLUSIVE
)

func TestASampleGoesOutAndComesBack(t *testing.T) {
	n := newNursery(t)
	request := sampleRequest(n.look(t, lot, 3*time.Hour, oomycete()...))
	sent, err := n.client.CreateSample(n.worker, request)
	require.NoError(t, err)
	require.Equal(t, diagnosisv1.SampleState_SAMPLE_STATE_SENT, sent.GetState())
	require.Equal(t, "nurseries/test/people/wandile", sent.GetSender())
	again, err := n.client.CreateSample(n.worker, request)
	require.NoError(t, err)
	require.True(t, proto.Equal(sent, again))

	received, err := n.client.ReceiveSample(n.worker, &diagnosisv1.ReceiveSampleRequest{Name: sent.GetName(), Reference: "L-17",
		ReceiveTime: timestamppb.New(today.Add(-time.Hour)), RequestId: uuid.NewString()})
	require.NoError(t, err)
	require.Equal(t, diagnosisv1.SampleState_SAMPLE_STATE_RECEIVED, received.GetState())
	require.Equal(t, "L-17", received.GetReference())

	reported, err := n.report(sent.GetName(), positive, "black-rot")
	require.NoError(t, err)
	require.Equal(t, diagnosisv1.SampleState_SAMPLE_STATE_REPORTED, reported.GetState())
	require.Equal(t, "nurseries/test/people/mira", reported.GetReporter())
	require.Equal(t, today, reported.GetReportTime().AsTime())
	require.Equal(t, "as written", reported.GetReport())
	read, err := n.client.GetSample(n.worker, &diagnosisv1.GetSampleRequest{Name: sent.GetName()})
	require.NoError(t, err)
	require.True(t, proto.Equal(reported, read), "%v\n%v", reported, read)
}

func TestSamplesAreRefused(t *testing.T) {
	n := newNursery(t)
	inspected := n.look(t, lot, 3*time.Hour, oomycete()...)
	for _, test := range []struct {
		name   string
		spoil  func(*diagnosisv1.Sample)
		code   codes.Code
		reason fault.Reason
		field  string
	}{
		{"an unknown inspection", func(s *diagnosisv1.Sample) { s.Inspection = parent + "/inspections/none" }, codes.NotFound, fault.NotFoundReason, ""},
		{"a lot instead of an inspection", func(s *diagnosisv1.Sample) { s.Inspection = lot }, codes.InvalidArgument, fault.InvalidField, "sample.inspection"},
		{"an unknown test", func(s *diagnosisv1.Sample) { s.Test = "crystal-ball" }, codes.InvalidArgument, fault.InvalidField, "sample.test"},
		{"an organ that the test does not take", func(s *diagnosisv1.Sample) { s.Organs = []diagnosisv1.Organ{diagnosisv1.Organ_ORGAN_BENCH} }, codes.InvalidArgument, fault.InvalidField, "sample.organs[0]"},
		{"more plants than were looked at", func(s *diagnosisv1.Sample) { s.Plants = 21 }, codes.InvalidArgument, fault.InvalidField, "sample.plants"},
		{"no plants", func(s *diagnosisv1.Sample) { s.Plants = 0 }, codes.InvalidArgument, fault.InvalidField, "sample.plants"},
		{"no laboratory", func(s *diagnosisv1.Sample) { s.Laboratory = "" }, codes.InvalidArgument, fault.InvalidField, "sample.laboratory"},
		{"sent tomorrow", func(s *diagnosisv1.Sample) { s.SendTime = timestamppb.New(today.Add(24 * time.Hour)) }, codes.InvalidArgument, fault.InvalidTimes, "sample.send_time"},
	} {
		t.Run(test.name, func(t *testing.T) {
			request := sampleRequest(inspected)
			test.spoil(request.GetSample())
			_, err := n.client.CreateSample(n.worker, request)
			message, _ := rpctest.Refused(t, err, test.code, test.reason)
			require.Contains(t, message, test.field)
			require.Zero(t, n.count(t, "diagnosis.sample"))
		})
	}
}

func TestReceiptsAndResultsAreRefused(t *testing.T) {
	n := newNursery(t)
	inspected := n.look(t, lot, 3*time.Hour, oomycete()...)
	sent := n.sample(t, inspected, "oomycete-strip")
	receive := func(at time.Time, reference string) error {
		_, err := n.client.ReceiveSample(n.worker, &diagnosisv1.ReceiveSampleRequest{Name: sent.GetName(), Reference: reference,
			ReceiveTime: timestamppb.New(at), RequestId: uuid.NewString()})
		return err
	}
	rpctest.Refused(t, receive(today.Add(-3*time.Hour), ""), codes.InvalidArgument, fault.InvalidTimes)
	rpctest.Refused(t, receive(today.Add(time.Hour), ""), codes.InvalidArgument, fault.InvalidTimes)
	require.NoError(t, receive(today.Add(-time.Hour), "L-1"))
	rpctest.Refused(t, receive(today, ""), codes.FailedPrecondition, fault.InvalidField)

	for _, test := range []struct {
		name     string
		outcome  diagnosisv1.TestOutcome
		disorder string
		field    string
	}{
		{"a disorder that the test does not find", positive, "sunburn", "disorder"},
		{"a disorder of a negative result", negative, "black-rot", "disorder"},
		{"no outcome", 0, "", "outcome"},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := n.report(sent.GetName(), test.outcome, test.disorder)
			rpctest.RefusedField(t, err, test.field)
		})
	}
	_, err := n.client.RecordSampleResult(n.manager, &diagnosisv1.RecordSampleResultRequest{Name: sent.GetName(), Outcome: negative,
		ReportTime: timestamppb.New(today.Add(-90 * time.Minute)), RequestId: uuid.NewString()})
	rpctest.Refused(t, err, codes.InvalidArgument, fault.InvalidTimes)
	_, err = n.client.RecordSampleResult(n.worker, &diagnosisv1.RecordSampleResultRequest{Name: sent.GetName(), Outcome: negative, RequestId: uuid.NewString()})
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)

	_, err = n.report(sent.GetName(), negative, "")
	require.NoError(t, err)
	_, err = n.report(sent.GetName(), positive, "black-rot")
	message, _ := rpctest.Refused(t, err, codes.FailedPrecondition, fault.InvalidField)
	require.Contains(t, message, "enter a new sample")
	rpctest.Refused(t, receive(today, ""), codes.FailedPrecondition, fault.InvalidField)
	_, err = n.report(parent+"/samples/none", positive, "")
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
}

// A result moves the ranking by what the test can tell; one that says neither yes
// nor no moves nothing.
func TestAResultIsWeighed(t *testing.T) {
	n := newNursery(t)
	inspected := n.look(t, lot, 3*time.Hour, oomycete()...)
	share := func() float64 {
		for _, candidate := range n.assess(t, inspected).GetCandidates() {
			if candidate.GetDisorder() == "black-rot" {
				return percent(t, candidate.GetProbabilityPercent())
			}
		}
		return 0
	}
	before := share()
	lost := n.sample(t, inspected, "oomycete-strip")
	_, err := n.report(lost.GetName(), inconclusive, "")
	require.NoError(t, err)
	require.InDelta(t, before, share(), 0.001)
	require.Contains(t, n.assess(t, inspected).GetNotes()[0], "inconclusive")

	found := n.sample(t, inspected, "oomycete-strip")
	require.InDelta(t, before, share(), 0.001, "what is on its way says nothing")
	_, err = n.report(found.GetName(), positive, "")
	require.NoError(t, err)
	require.Greater(t, share(), before)
	require.Equal(t, []string{found.GetName()}, n.assess(t, inspected).GetSamples())

	_, err = n.report(n.sample(t, inspected, "oomycete-pcr").GetName(), negative, "")
	require.NoError(t, err)
	require.Less(t, share(), before)
}

func TestSamplesAreListedNewestFirst(t *testing.T) {
	n := newNursery(t)
	one, other := n.look(t, lot, 3*time.Hour, oomycete()...), n.look(t, lot, 3*time.Hour)
	var all, ofOne []string
	for i := range 4 {
		request := sampleRequest([]string{one, other}[i%2])
		request.Sample.SendTime = timestamppb.New(today.Add(-time.Duration(i) * time.Minute))
		sent, err := n.client.CreateSample(n.worker, request)
		require.NoError(t, err)
		all = append(all, sent.GetName())
		if i%2 == 0 {
			ofOne = append(ofOne, sent.GetName())
		}
	}
	list := func(inspection string) (names []string) {
		request := &diagnosisv1.ListSamplesRequest{Parent: parent, Inspection: inspection, PageSize: 1}
		for {
			page, err := n.client.ListSamples(n.worker, request)
			require.NoError(t, err)
			for _, sample := range page.GetSamples() {
				names = append(names, sample.GetName())
			}
			if request.PageToken = page.GetNextPageToken(); request.GetPageToken() == "" {
				return names
			}
		}
	}
	require.Equal(t, all, list(""))
	require.Equal(t, ofOne, list(one))
}

// refusedByTable holds a statement to be refused because a column is filled.
func (n *nursery) refusedByTable(t *testing.T, statement string, args ...any) {
	t.Helper()
	err := n.db.InTx(context.Background(), func(tx pgx.Tx) error {
		_, err := tx.Exec(context.Background(), statement, args...)
		return err
	})
	var refusal *pgconn.PgError
	require.ErrorAs(t, err, &refusal, statement)
	require.Contains(t, refusal.Message, "is written once", statement)
}

// What came in once is never written over, whatever the code asks.
func TestAResultIsWrittenOnce(t *testing.T) {
	n := newNursery(t)
	sent := n.sample(t, n.look(t, lot, 3*time.Hour, oomycete()...), "oomycete-strip")
	_, err := n.report(sent.GetName(), negative, "")
	require.NoError(t, err)
	id := filepath.Base(sent.GetName())
	for _, statement := range []string{
		`UPDATE diagnosis.sample SET outcome = 'POSITIVE' WHERE id = $1`, `UPDATE diagnosis.sample SET report = 'another' WHERE id = $1`,
		`UPDATE diagnosis.sample SET report_time = now() WHERE id = $1`, `UPDATE diagnosis.sample SET outcome = NULL, disorder = NULL, report = NULL, report_time = NULL, reporter = NULL WHERE id = $1`,
	} {
		n.refusedByTable(t, statement, id)
	}
}

// A diagnosis may rest on results, and keeps what was proposed from them.
func TestADiagnosisRestsOnSamples(t *testing.T) {
	n := newNursery(t)
	inspected, other := n.look(t, lot, 3*time.Hour, oomycete()...), n.look(t, lot, 3*time.Hour)
	sample := n.sample(t, inspected, "oomycete-strip")
	request := confirmation(inspected)
	request.Diagnosis.Samples = []string{sample.GetName()}
	_, err := n.client.ConfirmDiagnosis(n.manager, request)
	message := rpctest.RefusedField(t, err, "diagnosis.samples[0]")
	require.Contains(t, message, "no result yet")
	_, err = n.report(sample.GetName(), positive, "black-rot")
	require.NoError(t, err)

	elsewhere := confirmation(other)
	elsewhere.Diagnosis.Samples = []string{sample.GetName()}
	_, err = n.client.ConfirmDiagnosis(n.manager, elsewhere)
	rpctest.RefusedField(t, err, "diagnosis.samples[0]")

	proposed := n.assess(t, inspected)
	request.RequestId = uuid.NewString()
	// Whatever the request says was proposed.
	request.Diagnosis.Assessment = &diagnosisv1.Assessment{Summary: "certain"}
	held, err := n.client.ConfirmDiagnosis(n.manager, request)
	require.NoError(t, err)
	require.Equal(t, []string{sample.GetName()}, held.GetSamples())
	require.True(t, proto.Equal(proposed, held.GetAssessment()), "%v\n%v", proposed, held.GetAssessment())

	// Later signs change what would be proposed, and not what was.
	n.look(t, lot, 0, seen(leaf, "mosaic"))
	read, err := n.client.GetDiagnosis(n.worker, &diagnosisv1.GetDiagnosisRequest{Name: held.GetName()})
	require.NoError(t, err)
	require.True(t, proto.Equal(held, read))
	page, err := n.client.ListDiagnoses(n.worker, &diagnosisv1.ListDiagnosesRequest{Parent: parent})
	require.NoError(t, err)
	require.Nil(t, page.GetDiagnoses()[0].GetAssessment(), "a list goes without it")

	against := confirmation(inspected)
	against.Diagnosis.Disorder = "sunburn"
	otherwise, err := n.client.ConfirmDiagnosis(n.manager, against)
	require.NoError(t, err, "the person decides, whatever comes first")
	require.Equal(t, "black-rot", otherwise.GetAssessment().GetCandidates()[0].GetDisorder())
}
