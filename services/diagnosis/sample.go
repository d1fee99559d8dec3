package diagnosis

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/fault"
	"velamen/services/diagnosis/knowledge"
)

const outcomePrefix = "TEST_OUTCOME_"

func storedOutcome(outcome diagnosisv1.TestOutcome) string {
	return strings.TrimPrefix(outcome.String(), outcomePrefix)
}

func outcomeOf(stored string) diagnosisv1.TestOutcome {
	return diagnosisv1.TestOutcome(diagnosisv1.TestOutcome_value[outcomePrefix+stored])
}

// state is where a sample is.
func (s sampleRow) state() diagnosisv1.SampleState {
	switch {
	case s.outcome != "":
		return diagnosisv1.SampleState_SAMPLE_STATE_REPORTED
	case s.receiveTime != nil:
		return diagnosisv1.SampleState_SAMPLE_STATE_RECEIVED
	default:
		return diagnosisv1.SampleState_SAMPLE_STATE_SENT
	}
}

func (s sampleRow) contract() *diagnosisv1.Sample {
	return &diagnosisv1.Sample{
		Name: sampleName(s.nursery, s.id), Inspection: inspectionName(s.nursery, s.inspection), Test: s.test,
		Organs: organsOf(s.organs), Plants: s.plants, Laboratory: s.laboratory, Reference: s.reference,
		SendTime: timestamppb.New(s.sendTime), Note: s.note, State: s.state(), Sender: personName(s.nursery, s.sender),
		ReceiveTime: timestampOf(s.receiveTime), Outcome: outcomeOf(s.outcome), Disorder: s.disorder, Report: s.report,
		ReportTime: timestampOf(s.reportTime), Reporter: optionalPerson(s.nursery, s.reporter), CreateTime: timestamppb.New(s.createTime),
	}
}

func timestampOf(moment *time.Time) *timestamppb.Timestamp {
	if moment == nil {
		return nil
	}
	return timestamppb.New(*moment)
}

func optionalPerson(nursery, id string) string {
	if id == "" {
		return ""
	}
	return personName(nursery, id)
}

// testOf returns a known test.
func testOf(field, id string) (knowledge.Test, error) {
	test, known := knowledge.Shipped().Test(id)
	if !known {
		return knowledge.Test{}, fault.Field(field, "%q is not a known test; ListTests has them", id).With("test", id)
	}
	return test, nil
}

// checkSample refuses organs that the test is not made of, and more plants than the
// inspection looked at.
func checkSample(taken *diagnosisv1.Sample, test knowledge.Test, inspection inspectionRow) error {
	for i, organ := range taken.GetOrgans() {
		if !slices.Contains(test.SampleOrgans, organ) {
			return fault.Field(fmt.Sprintf("sample.organs[%d]", i), "the test %q takes %s", test.ID, organNames(test.SampleOrgans)).
				With("test", test.ID).With("organs", organNames(test.SampleOrgans))
		}
	}
	if taken.GetPlants() > inspection.plantsSampled {
		return fault.Field("sample.plants", "the inspection looked at %d plants, so %d cannot have been sampled", inspection.plantsSampled, taken.GetPlants()).
			With("plants_sampled", strconv.FormatInt(inspection.plantsSampled, 10)).With("plants", strconv.FormatInt(taken.GetPlants(), 10))
	}
	return nil
}

// checkNamed refuses a disorder that a laboratory cannot have named with this test
// and outcome.
func checkNamed(disorder string, outcome diagnosisv1.TestOutcome, test knowledge.Test) error {
	switch {
	case disorder == "":
		return nil
	case outcome != diagnosisv1.TestOutcome_TEST_OUTCOME_POSITIVE:
		return fault.Field("disorder", "only a positive result names a disorder").With("disorder", disorder)
	case !slices.Contains(test.Finds, disorder):
		return fault.Field("disorder", "the test %q does not find %q; it finds %s", test.ID, disorder, strings.Join(test.Finds, ", ")).
			With("test", test.ID).With("disorder", disorder).With("finds", strings.Join(test.Finds, ", "))
	default:
		return nil
	}
}

// receive enters that the laboratory has the sample.
func (s *sampleRow) receive(at time.Time, reference string) error {
	name := sampleName(s.nursery, s.id)
	switch s.state() {
	case diagnosisv1.SampleState_SAMPLE_STATE_REPORTED:
		return fault.FieldReason(fault.Precondition, fault.InvalidField, "name", "the result of %s is there already", name).With("name", name)
	case diagnosisv1.SampleState_SAMPLE_STATE_RECEIVED:
		return fault.FieldReason(fault.Precondition, fault.InvalidField, "name", "the laboratory had %s on %s already", name, s.receiveTime.Format(time.RFC3339)).
			With("name", name).With("receive_time", s.receiveTime.Format(time.RFC3339))
	}
	if reference != "" && s.reference != "" && reference != s.reference {
		return fault.FieldReason(fault.Precondition, fault.InvalidField, "reference", "the laboratory's number is %q already", s.reference).
			With("reference", s.reference)
	}
	if err := notBefore("receive_time", at, s.sendTime, "it was sent"); err != nil {
		return err
	}
	s.receiveTime = &at
	if reference != "" {
		s.reference = reference
	}
	return nil
}

// result enters what the test found. It is entered once.
func (s *sampleRow) result(at time.Time, outcome diagnosisv1.TestOutcome, disorder, report, reporter string) error {
	if s.state() == diagnosisv1.SampleState_SAMPLE_STATE_REPORTED {
		name := sampleName(s.nursery, s.id)
		return fault.FieldReason(fault.Precondition, fault.InvalidField, "name",
			"the result of %s was entered already; to correct it, enter a new sample that names this one in its note", name).With("name", name)
	}
	after, what := s.sendTime, "it was sent"
	if s.receiveTime != nil {
		after, what = *s.receiveTime, "the laboratory had it"
	}
	if err := notBefore("report_time", at, after, what); err != nil {
		return err
	}
	s.outcome, s.disorder, s.report, s.reportTime, s.reporter = storedOutcome(outcome), disorder, report, &at, reporter
	return nil
}

// notBefore refuses a moment before another that must come first.
func notBefore(field string, moment, first time.Time, what string) error {
	if !moment.Before(first) {
		return nil
	}
	return fault.FieldReason(fault.Invalid, fault.InvalidTimes, field, "%s lies before %s, when %s",
		moment.Format(time.RFC3339), first.Format(time.RFC3339), what).
		With("time", moment.Format(time.RFC3339)).With("first", first.Format(time.RFC3339))
}
