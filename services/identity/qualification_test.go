package identity

import (
	"testing"

	"github.com/stretchr/testify/require"

	identityv1 "velamen/gen/velamen/identity/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
)

func asked(kind identityv1.QualificationKind, day, end string) *identityv1.Qualification {
	q := &identityv1.Qualification{Kind: kind, Date: &typev1.Date{Value: day}, Description: "a film", Provider: "an adviser"}
	if end != "" {
		q.EndDate = &typev1.Date{Value: end}
	}
	return q
}

func TestTrainingAndFitTestsCountForAYearTheRestAsLongAsIsSaid(t *testing.T) {
	const clearance = identityv1.QualificationKind_QUALIFICATION_KIND_MEDICAL_CLEARANCE
	for _, test := range []struct {
		kind       identityv1.QualificationKind
		given, end string
		want       string
	}{
		{HandlerTraining, "2026-03-01", "", "2027-02-28"},
		{WorkerTraining, "2024-02-29", "", "2025-02-28"}, // a leap day
		{FitTest, "2027-03-01", "", "2028-02-29"},
		{FitTest, "2027-03-01", "2027-09-01", "2027-09-01"},
		{clearance, "2026-03-01", "", ""},
		{clearance, "2026-03-01", "2030-01-01", "2030-01-01"},
		{FullAge, "2031-05-05", "", ""},
	} {
		q, err := qualificationFrom(asked(test.kind, test.given, test.end), "2028-01-01")
		require.NoError(t, err, test)
		require.Equal(t, test.want, q.EndDate, test)
	}
}

func TestAQualificationThatCannotBeIsRefusedByItsField(t *testing.T) {
	for _, test := range []struct {
		name  string
		asked *identityv1.Qualification
		field string
	}{
		{"tomorrow", asked(HandlerTraining, "2026-03-03", ""), "qualification.date"},
		{"no day", asked(HandlerTraining, "2026-02-30", ""), "qualification.date"},
		{"a mistyped year", asked(HandlerTraining, "0026-02-03", ""), "qualification.date"},
		{"an end before it", asked(FitTest, "2026-03-01", "2026-02-28"), "qualification.end_date"},
		{"training for longer than a year", asked(WorkerTraining, "2026-03-01", "2027-03-01"), "qualification.end_date"},
		{"full age that ends", asked(FullAge, "2026-03-01", "2027-03-01"), "qualification.end_date"},
		{"nothing said", &identityv1.Qualification{Kind: FitTest, Date: &typev1.Date{Value: "2026-03-01"}, Description: " ", Provider: "x"}, "qualification.description"},
		{"nobody named", &identityv1.Qualification{Kind: FitTest, Date: &typev1.Date{Value: "2026-03-01"}, Description: "x"}, "qualification.provider"},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := qualificationFrom(test.asked, "2026-03-02")
			f, ok := fault.As(err)
			require.True(t, ok)
			require.Equal(t, test.field, f.Field)
		})
	}
}

func TestWhoIsTrainedAnewInTimeIsQualifiedThroughout(t *testing.T) {
	person := Person{Qualifications: []Qualification{
		{Kind: HandlerTraining, Date: "2026-03-01", EndDate: "2027-02-28"},
		{Kind: HandlerTraining, Date: "2027-03-01", EndDate: "2028-02-29"},
		{Kind: WorkerTraining, Date: "2028-01-01", EndDate: "2028-12-31"},
	}}
	require.True(t, person.Qualified(HandlerTraining, "2027-02-27", "2027-03-02"))
	require.True(t, person.Qualified(HandlerTraining, "2028-02-29", "2028-02-29"))
	require.False(t, person.Qualified(HandlerTraining, "2028-02-29", "2028-03-01"), "the last day is over")
	require.False(t, person.Qualified(HandlerTraining, "2026-02-28", "2026-03-02"), "it was not given yet")
	require.False(t, person.Qualified(FitTest, "2026-03-01", "2026-03-01"))
	endless := Person{Qualifications: []Qualification{{Kind: FullAge, Date: "2026-03-01"}}}
	require.True(t, endless.Qualified(FullAge, "2026-03-01", "2099-01-01"))
}

func TestWhoIsKnownToBeUnder18IsUnderAgeUntilTheDay(t *testing.T) {
	young := Person{Qualifications: []Qualification{{Kind: FullAge, Date: "2026-03-02"}}}
	require.True(t, young.UnderAge("2026-03-01"))
	require.False(t, young.UnderAge("2026-03-02"))
	require.False(t, Person{}.UnderAge("2026-03-01"), "nothing is on record")
}

func TestOfSeveralOfAKindTheEndOfTheLastIsTold(t *testing.T) {
	people := []Person{
		{ID: "b", Certificates: []Certificate{{Number: "1", ExpireDate: "2026-04-01"}, {Number: "2", Category: "aerial", ExpireDate: "2026-03-01"}}},
		{ID: "a", Qualifications: []Qualification{
			{Kind: HandlerTraining, EndDate: "2026-03-31"}, {Kind: HandlerTraining, EndDate: "2025-03-31"}, {Kind: FitTest, EndDate: "2026-01-01"},
			{Kind: MedicalClearance, EndDate: "2026-02-01"}, {Kind: WorkerTraining, EndDate: "2026-04-01"},
		}},
		{ID: "c", Qualifications: []Qualification{{Kind: FitTest, EndDate: "2026-01-01"}, {Kind: FitTest}}},
		{ID: "d", Disabled: true, Certificates: []Certificate{{Number: "3", ExpireDate: "2026-01-01"}}},
	}
	var told []string
	for _, e := range expiries(people, "2026-03-31") {
		told = append(told, e.endDate+" "+e.person.ID+" "+e.what)
	}
	require.Equal(t, []string{"2026-01-01 a fit test", "2026-02-01 a medical clearance", "2026-03-01 b certificate 2", "2026-03-31 a handler training"}, told)
}
