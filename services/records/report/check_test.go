package report

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/internal/quantity"
	"velamen/services/treatment"
)

// fieldsOf are the fields in which a use has a gap.
func fieldsOf(gaps []Gap) []string {
	var fields []string
	for _, gap := range gaps {
		fields = append(fields, gap.Field)
	}
	return fields
}

func TestAUseWithEveryFactHasNoGapInAnyKind(t *testing.T) {
	for _, kind := range Kinds() {
		require.Empty(t, Check(kind, nurseryFor(t, kind.ID), []Use{fullUse(t)}), kind.ID)
	}
}

// Whoever adds a field to kinds.yaml gets a gap for it without another line of code:
// each required field of an empty use, and each of an empty nursery, is listed.
func TestEveryRequiredFieldOfAnEmptyUseIsListed(t *testing.T) {
	for _, kind := range Kinds() {
		home := nurseryFor(t, kind.ID)
		nursery := Nursery{Name: "nurseries/test", Jurisdiction: home.Jurisdiction, Zone: home.Zone}
		use := Use{Entry: "nurseries/test/entries/9", RestrictedUse: true}
		listed := fieldsOf(Check(kind, nursery, []Use{use}))
		for _, field := range kind.Fields {
			switch {
			case field.Fact == "jurisdiction" || field.Fact == "restricted-use":
				require.NotContains(t, listed, field.Fact, "it is known")
			case field.Need == optional:
				require.NotContains(t, listed, field.Fact, kind.ID)
			default:
				require.Contains(t, listed, field.Fact, "%s: %s", kind.ID, field.Title)
			}
		}
	}
}

// No cell of any report is blank, whatever is known.
func TestNoFieldIsEverBlank(t *testing.T) {
	for _, kind := range Kinds() {
		nursery := nurseryFor(t, kind.ID)
		nursery.DisplayName, nursery.Address, nursery.OperatorID, nursery.County = "", " ", "\t", ""
		period, err := Month(2026, time.March, nursery.Zone)
		require.NoError(t, err)
		document, err := Build(kind, nursery, period, []Use{{Entry: "nurseries/test/entries/9", RestrictedUse: true, Actives: []Active{{}}, Crops: []Crop{{}}}})
		require.NoError(t, err)
		var missing int
		for _, fact := range document.Facts {
			require.NotEmpty(t, fact.Cell.Text)
			if fact.Cell.State == StateMissing {
				missing++
			}
		}
		for _, row := range document.Uses.Rows {
			require.Len(t, row.Cells, len(document.Uses.Columns))
			for i, cell := range row.Cells {
				require.NotEmpty(t, cell.Text, document.Uses.Columns[i].ID)
				if cell.State == StateMissing {
					require.Contains(t, cell.Text, Missing)
					missing++
				}
			}
		}
		require.Equal(t, missing, document.Missing, "the head counts what the rows show")
	}
}

func TestAGapSaysTheRuleItsSourceAndWhereItIsPutRight(t *testing.T) {
	use := fullUse(t)
	use.RegistrationNumber = " "
	use.SiteID = ""
	gaps := Check(kindOf(t, "us-ca-monthly-use"), nurseryFor(t, "us-ca-monthly-use"), []Use{use})
	require.Equal(t, []Gap{
		{
			Use: use.Entry, Field: "site-id", Title: "Site identification number", Problem: IsMissing,
			Reason:  "Site identification number is required and nobody gave it.",
			Section: "3 CCR 6624(c)(4)", Source: "3 CCR 6624, current to register 2024 no. 45", Fix: use.House,
			FixField: "site_number", FixCommand: "velamen stock house update h1 --site-number NUMBER",
		},
		{
			Use: use.Entry, Field: "registration", Title: "EPA or state registration number", Problem: IsMissing,
			Reason:  "EPA or state registration number is required and nobody gave it.",
			Section: "3 CCR 6624(b)(6)", Source: "3 CCR 6624, current to register 2024 no. 45", Fix: use.Product,
			FixField: "registration_number", FixCommand: "velamen products update thiophanate --file FILE",
		},
	}, gaps)
}

// Implementing Regulation (EU) 2023/564: the start time and the BBCH stage are in the
// record where the authorisation limits them.
func TestPublishedEURecordAsksForTimeAndStageOnlyWhereTheyAreLimited(t *testing.T) {
	kind, nursery := kindOf(t, "eu-closed-space"), nurseryFor(t, "eu-closed-space")
	for _, c := range []struct {
		name        string
		time, stage Answer
		fields      []string
	}{
		{"neither is limited", No, No, nil},
		{"both are limited", Yes, Yes, []string{"start", "bbch"}},
		{"the stage is limited", No, Yes, []string{"bbch"}},
		{"nobody knows", Unknown, Unknown, []string{"start", "bbch"}},
	} {
		use := fullUse(t)
		use.BBCH, use.TimeLimited, use.StageLimited = "", c.time, c.stage
		start := use.Start
		use.Start = time.Time{}
		fields := slices.DeleteFunc(fieldsOf(Check(kind, nursery, []Use{use})), func(field string) bool { return field == "date" })
		require.ElementsMatch(t, c.fields, fields, c.name)
		use.Start, use.BBCH = start, "61"
		require.Empty(t, Check(kind, nursery, []Use{use}), c.name)
	}
	use := fullUse(t)
	use.BBCH, use.StageLimited = "", Unknown
	gaps := Check(kind, nursery, []Use{use})
	require.Len(t, gaps, 1)
	require.Equal(t, "BBCH growth stage is required when the authorisation limits the growth stage of the use; whether that is so is not known.", gaps[0].Reason)
}

func TestWhatIsDoubtfulIsListedAndMarked(t *testing.T) {
	for _, c := range []struct {
		name, kind, field, reason string
		change                    func(*Use)
	}{
		{"an end before the start", "us-wps-application", "end", "not after the start", func(u *Use) { u.End = u.Start.Add(-time.Minute) }},
		{"more treated than planted", "us-ca-monthly-use", "treated", "than is planted", func(u *Use) { u.Treated = quantity.Must("41", quantity.SquareMetre) }},
		{"no product at all", "us-restricted-use", "amount", "not above zero", func(u *Use) { u.Amount = quantity.Must("0", quantity.Gram) }},
		{"an EPPO code of four letters", "eu-closed-space", "crop-eppo", "5 or 6 capitals", func(u *Use) { u.Crops[0].EPPO = "VAND" }},
		{"a BBCH stage in words", "eu-closed-space", "bbch", "two digits", func(u *Use) { u.BBCH = "in flower" }},
		{"a field in the record of closed spaces", "eu-closed-space", "setting", "must be", func(u *Use) { u.Setting = "land" }},
		{"pots in the EU", "eu-closed-space", "treated", "cannot be given in a unit of the rule: m2, m3", func(u *Use) { u.Treated = quantity.Must("12", quantity.Pot) }},
		{"an interval below zero", "house-record", "rei", "below zero", func(u *Use) { u.RestrictedEntryInterval = quantity.Must("-1", quantity.Hour) }},
		{"a dose of nothing", "eu-closed-space", "dose", "not above zero", func(u *Use) { u.Amount = quantity.Must("0", quantity.Gram) }},
		{"an interval in litres", "house-record", "rei", "cannot be given", func(u *Use) { u.RestrictedEntryInterval = quantity.Must("1", quantity.Litre) }},
		{"an amount too small for the units", "us-ca-monthly-use", "amount", "cannot be given", func(u *Use) { u.Amount = quantity.Must("0.000001", quantity.Milligram) }},
	} {
		use := fullUse(t)
		c.change(&use)
		gaps := Check(kindOf(t, c.kind), nurseryFor(t, c.kind), []Use{use})
		at := slices.IndexFunc(gaps, func(gap Gap) bool { return gap.Field == c.field })
		require.GreaterOrEqual(t, at, 0, c.name)
		require.Equal(t, IsDoubtful, gaps[at].Problem, c.name)
		require.Contains(t, gaps[at].Reason, c.reason, c.name)
		for _, field := range kindOf(t, c.kind).Fields {
			if field.Fact == c.field {
				cell, _ := judge(field, nurseryFor(t, c.kind), use)
				require.Contains(t, cell.Text, Doubtful, c.name)
			}
		}
	}
}

func TestTheRecordNamesWhoHoldsTheCertificate(t *testing.T) {
	kind, nursery := kindOf(t, "us-restricted-use"), nurseryFor(t, "us-restricted-use")
	use := fullUse(t)
	require.Equal(t, "Wandile Worker", certified(use).Name)
	use.Applicator.Certificate = ""
	require.Equal(t, "Mira Manager", certified(use).Name)
	require.Empty(t, Check(kind, nursery, []Use{use}))
	use.Supervisor.Certificate = ""
	gaps := Check(kind, nursery, []Use{use})
	require.Equal(t, []string{"certified-number"}, fieldsOf(gaps))
	require.Equal(t, "nurseries/test/people/wandile", gaps[0].Fix)
}

// A commercial applicator's record carries the customer, the time, and who applied
// without a certificate: 40 CFR 171.303(b)(7)(vi).
func TestPublishedRecordOfAnApplicatorForHireSaysForWhom(t *testing.T) {
	kind, nursery := kindOf(t, "us-restricted-use"), nurseryFor(t, "us-restricted-use")
	use := fullUse(t)
	use.ForHire = Yes
	require.Equal(t, []string{"customer"}, fieldsOf(Check(kind, nursery, []Use{use})))
	use.Applicator = Person{}
	require.Equal(t, []string{"customer", "uncertified-name"}, fieldsOf(Check(kind, nursery, []Use{use})))
}

// Nobody passes over a rule because nobody said whether it applies: it is asked.
func TestWhoAppliesIsAskedWhereNobodySaidIt(t *testing.T) {
	kind, nursery := kindOf(t, "us-restricted-use"), nurseryFor(t, "us-restricted-use")
	use := fullUse(t)
	use.ForHire = Unknown
	gaps := Check(kind, nursery, []Use{use})
	require.Equal(t, []string{"customer"}, fieldsOf(gaps))
	require.Contains(t, gaps[0].Reason, "required when a business did the work for another; whether that is so is not known")
	require.Equal(t, "nurseries/test/dutySettings", gaps[0].Fix)
	require.Equal(t, "performer", gaps[0].FixField)
	require.Equal(t, "velamen records duty-settings --performer PERFORMER", gaps[0].FixCommand)
}

// 7 CFR 110.3(b), from memory: a spot use on less than 1/10 acre may have a shorter
// record, but a greenhouse may not, however small the bench: 300 ft2 takes all fields.
func TestPublishedASmallBenchTakesTheFullRestrictedUseRecord(t *testing.T) {
	kind, nursery := kindOf(t, "us-restricted-use"), nurseryFor(t, "us-restricted-use")
	use := Use{Entry: "nurseries/test/entries/9", RestrictedUse: true, Treated: quantity.Must("300", quantity.SquareFoot), ForHire: No}
	require.Equal(t, []string{
		"product-name", "registration", "amount", "legal-location", "crops", "date", "certified-name", "certified-number",
	}, fieldsOf(Check(kind, nursery, []Use{use})))
}

func TestAnUnknownLawOrZoneIsRefused(t *testing.T) {
	kind := kindOf(t, "us-ca-monthly-use")
	for code, reason := range map[string]string{
		"": "is not known", "XX": "is not valid", "ZA": "the nursery is in ZA", "US-OR": "the nursery is in US-OR", "US": "the nursery is in US",
	} {
		nursery := nurseryFor(t, kind.ID)
		nursery.Jurisdiction = code
		gaps := Check(kind, nursery, nil)
		require.Equal(t, []string{"law"}, fieldsOf(gaps), code)
		require.Contains(t, gaps[0].Reason, reason)
		period, err := Month(2026, time.March, nursery.Zone)
		require.NoError(t, err)
		_, err = Build(kind, nursery, period, nil)
		require.ErrorContains(t, err, reason)
	}
	nursery := nurseryFor(t, "house-record")
	period, err := Month(2026, time.March, nursery.Zone)
	require.NoError(t, err)
	nursery.Zone, nursery.Jurisdiction = nil, ""
	require.Equal(t, []string{"time-zone", "jurisdiction"}, fieldsOf(Check(kindOf(t, "house-record"), nursery, []Use{fullUse(t)})))
	_, err = Build(kindOf(t, "house-record"), nursery, period, nil)
	require.ErrorContains(t, err, "no time zone")
}

func TestAnActiveWithoutAnAmountIsNamed(t *testing.T) {
	use := mixture(t)
	use.Actives = slices.Clone(use.Actives)
	use.Actives[1].Amount = quantity.Quantity{}
	gaps := Check(kindOf(t, "house-record"), nurseryFor(t, "house-record"), []Use{use})
	require.Equal(t, []string{"active-amounts"}, fieldsOf(gaps))
	require.Equal(t, "No amount of active ingredient for thiophanate-methyl.", gaps[0].Reason)
	cell, _ := judge(Field{Fact: "active-amounts", Need: required}, nurseryFor(t, "house-record"), use)
	require.Equal(t, []string{"6.03075 g", Missing}, cell.Items)
}

func TestTheCautionIsThatOfEveryDose(t *testing.T) {
	require.Contains(t, Caution, treatment.Caution)
}

func TestAnIntervalThatIsNotKnownKeepsPeopleOut(t *testing.T) {
	document, _ := march(t, "us-wps-application")
	for i, row := range document.Uses.Rows {
		if row.Name == bare(t).Entry {
			require.Equal(t, Cell{State: StateMissing, Text: "MISSING: keep out until it is known"}, cellOf(t, document.Uses, i, "rei"))
		}
	}
	require.Contains(t, namesOf(document.Uses), bare(t).Entry)
}
