package records

import (
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	recordsv1 "velamen/gen/velamen/records/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/services/records/duty"
	"velamen/services/records/report"
)

// dutySettings are what the deadlines and the times to keep records ask about a nursery.
type dutySettings struct {
	performer recordsv1.Performer
	// Answers; the zero value is that nobody said.
	trades, monthlySummary, electronicAtOnce, longerConversion recordsv1.DutyAnswer
	// version counts the answers; 0 while there is none.
	version int64
	// person is the id of who gave this one.
	person string
	at     time.Time
	// tradedOnce is true where any answer was that the nursery trades in products.
	tradedOnce bool
}

const performerPrefix = "PERFORMER_"

// said is an answer as a column holds it.
func said(answer recordsv1.DutyAnswer) *bool {
	if answer == recordsv1.DutyAnswer_DUTY_ANSWER_UNSPECIFIED {
		return nil
	}
	yes := answer == recordsv1.DutyAnswer_DUTY_ANSWER_YES
	return &yes
}

func answerOf(column *bool) recordsv1.DutyAnswer {
	switch {
	case column == nil:
		return recordsv1.DutyAnswer_DUTY_ANSWER_UNSPECIFIED
	case *column:
		return recordsv1.DutyAnswer_DUTY_ANSWER_YES
	default:
		return recordsv1.DutyAnswer_DUTY_ANSWER_NO
	}
}

func dutySettingsName(nursery string) string {
	return resource.Of("nurseries", nursery) + "/dutySettings"
}

// parseDutySettings returns the nursery of the name of its settings.
func parseDutySettings(field, name string) (string, error) {
	parent, found := strings.CutSuffix(name, "/dutySettings")
	ids, err := resource.Parse(field, parent, "nurseries")
	if !found || err != nil {
		return "", fault.Field(field, "%q is not a name like nurseries/{id}/dutySettings", name).With("name", name)
	}
	return ids[0], nil
}

func dutySettingsFromContract(message *recordsv1.DutySettings) dutySettings {
	return dutySettings{
		performer: message.GetPerformer(), trades: message.GetTradesInProducts(), monthlySummary: message.GetMonthlySummary(),
		electronicAtOnce: message.GetElectronicAtOnce(), longerConversion: message.GetLongerConversion(),
	}
}

// contract returns the settings as the contract carries them, without their etag.
func (s dutySettings) contract(nursery string) *recordsv1.DutySettings {
	message := &recordsv1.DutySettings{
		Name: dutySettingsName(nursery), Performer: s.performer, TradesInProducts: s.trades, MonthlySummary: s.monthlySummary,
		ElectronicAtOnce: s.electronicAtOnce, LongerConversion: s.longerConversion,
	}
	if s.version > 0 {
		message.Person, message.UpdateTime = resource.Of("nurseries", nursery, "people", s.person), timestamppb.New(s.at)
	}
	return message
}

func dutyAnswer(answer recordsv1.DutyAnswer) duty.Answer {
	switch answer {
	case recordsv1.DutyAnswer_DUTY_ANSWER_YES:
		return duty.Yes
	case recordsv1.DutyAnswer_DUTY_ANSWER_NO:
		return duty.No
	default:
		return duty.NotSaid
	}
}

// doneBy is who did an application, by what was said of the nursery. Where both apply it
// is not known of a single one.
func (s dutySettings) doneBy() duty.Performer {
	switch s.performer {
	case recordsv1.Performer_PERFORMER_GROWER:
		return duty.Grower
	case recordsv1.Performer_PERFORMER_BUSINESS:
		return duty.Business
	default:
		return duty.PerformerNotSaid
	}
}

// forHire is whether a business did the work for another, by what was said of the nursery:
// only where its own people alone apply is it known that none did.
func (s dutySettings) forHire() report.Answer {
	if s.performer == recordsv1.Performer_PERFORMER_GROWER {
		return report.No
	}
	return report.Unknown
}

// tradesFor is what counts for how long records are kept: a nursery that once traded made
// records as one that does.
func (s dutySettings) tradesFor() duty.Answer {
	if s.tradedOnce {
		return duty.Yes
	}
	return dutyAnswer(s.trades)
}
