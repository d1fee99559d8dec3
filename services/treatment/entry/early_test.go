package entry

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/internal/quantity"
)

// visit is an entry of half an hour at 15:00, 5 h after the fixture's applications, in
// which every fact is as the kind asks.
func visit(kind Kind) EarlyEntry {
	return EarlyEntry{
		Kind: kind, House: "h1", Visit: Visit{at(15, 0), at(15, 30)}, Age: 18, EarlierEntered: true,
		Contact: No, HandLabour: No, Unforeseen: Yes, Declared: Yes,
	}
}

// refused are the rules that refuse, in order.
func refused(v Verdict) []string {
	var rules []string
	for _, ground := range v.Grounds {
		if ground.Refuses {
			rules = append(rules, ground.Rule)
		}
	}
	return rules
}

var fans2h = []Airing{aired(Fans, 0, 2*time.Hour)}

func TestEveryKindOfEarlyEntryIsAllowedWithinItsLimits(t *testing.T) {
	for _, kind := range []Kind{NoContact, ShortTerm, Emergency, LimitedContact} {
		verdict := nursery("US").EarlyEntryAt([]Application{fog("24")}, fans2h, visit(kind))
		require.True(t, verdict.Allowed, "%s: %+v", kind, verdict.Grounds)
		require.GreaterOrEqual(t, len(verdict.Conditions), 3)
	}
	california := nursery("US-CA").EarlyEntryAt([]Application{fog("24")}, fans2h, visit(ShortTerm))
	require.True(t, california.Allowed)
	require.Contains(t, california.Conditions[len(california.Conditions)-1], "US-CA")
}

func TestWhatEachKindOfEarlyEntryForbids(t *testing.T) {
	for _, test := range []struct {
		name   string
		kind   Kind
		change func(*EarlyEntry)
		want   []string
	}{
		{"contact", NoContact, func(e *EarlyEntry) { e.Contact = Yes }, []string{"early-entry-contact"}},
		{"contact not entered", NoContact, func(e *EarlyEntry) { e.Contact = Unknown }, []string{"early-entry-contact"}},
		{"hand labour not entered", ShortTerm, func(e *EarlyEntry) { e.HandLabour = Unknown }, []string{"early-entry-hand-labour"}},
		{"hand labour", LimitedContact, func(e *EarlyEntry) { e.HandLabour = Yes }, []string{"early-entry-hand-labour"}},
		{"a need that was foreseen", LimitedContact, func(e *EarlyEntry) { e.Unforeseen = No }, []string{"early-entry-unforeseen"}},
		{"an emergency that nobody declared", Emergency, func(e *EarlyEntry) { e.Declared = No }, []string{"early-entry-declared"}},
		{"an age that is not entered", NoContact, func(e *EarlyEntry) { e.Age = 0 }, []string{"early-entry-age"}},
		{"earlier visits not entered", ShortTerm, func(e *EarlyEntry) { e.EarlierEntered = false }, []string{"early-entry-time"}},
		{"the first 4 h", LimitedContact, func(e *EarlyEntry) { e.Visit = Visit{at(13, 59), at(14, 10)} }, []string{"early-entry-first-hours"}},
		{"more than 8 h", LimitedContact, func(e *EarlyEntry) { e.End = at(23, 1) }, []string{"early-entry-time"}},
		{"a kind that is none", "picnic", func(*EarlyEntry) {}, []string{"early-entry-kind"}},
		{"a visit that ends before it starts", ShortTerm, func(e *EarlyEntry) { e.End = at(14, 0) }, []string{"early-entry-visit"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			entry := visit(test.kind)
			test.change(&entry)
			verdict := nursery("US").EarlyEntryAt([]Application{fog("24")}, fans2h, entry)
			require.False(t, verdict.Allowed)
			require.Equal(t, test.want, refused(verdict))
			require.Empty(t, verdict.Conditions)
		})
	}
	exactly := visit(LimitedContact)
	exactly.Visit = Visit{at(14, 0), at(22, 0)}
	require.True(t, nursery("US").EarlyEntryAt([]Application{fog("24")}, fans2h, exactly).Allowed, "8 h, when 4 h have passed, are allowed")
}

func TestEarlierVisitsOfTheDayCountTowardsTheHour(t *testing.T) {
	entry := visit(ShortTerm)
	entry.Earlier = []Visit{{at(14, 0), at(14, 30)}}
	require.True(t, nursery("US").EarlyEntryAt([]Application{fog("24")}, fans2h, entry).Allowed, "60 min together")
	entry.Earlier = append(entry.Earlier, Visit{at(14, 40), at(14, 41)})
	require.Equal(t, []string{"early-entry-time"}, refused(nursery("US").EarlyEntryAt([]Application{fog("24")}, fans2h, entry)))
	entry.Earlier = []Visit{{at(14, 0).AddDate(0, 0, -1), at(15, 30).AddDate(0, 0, -1)}}
	require.True(t, nursery("US").EarlyEntryAt([]Application{fog("24")}, fans2h, entry).Allowed, "more than 24 h ago")
}

func TestLabelsWithDoubleNotificationLimitEarlyEntry(t *testing.T) {
	for _, double := range []Fact{Yes, Unknown} {
		a := fog("24")
		a.Products[0].Double = double
		require.Equal(t, []string{"early-entry-double"}, refused(nursery("US").EarlyEntryAt([]Application{a}, fans2h, visit(LimitedContact))))
		emergency := visit(Emergency)
		emergency.End = at(19, 0)
		require.True(t, nursery("US").EarlyEntryAt([]Application{a}, fans2h, emergency).Allowed, "4 h")
		emergency.End = at(19, 1)
		require.Equal(t, []string{"early-entry-time"}, refused(nursery("US").EarlyEntryAt([]Application{a}, fans2h, emergency)))
	}
	long := visit(Emergency)
	long.End = at(23, 0)
	require.True(t, nursery("US").EarlyEntryAt([]Application{fog("24")}, fans2h, long).Allowed, "without it there is no limit of time")
}

func TestAnExceptionIsFromTheIntervalOnly(t *testing.T) {
	n := nursery("US")
	next := fog("4")
	next.ID, next.Start, next.End = "a2", at(15, 10), at(15, 20)
	unlabelled := drench("24")
	unlabelled.Products[0].Interval = quantity.Quantity{}
	signed := drench("4")
	signed.Signs.Posted = at(8, 0)
	for name, test := range map[string]struct {
		applications []Application
		airings      []Airing
	}{
		"the air":                           {[]Application{fog("24")}, nil},
		"work that begins during the visit": {[]Application{drench("24"), next}, nil},
		"an interval that nobody entered":   {[]Application{unlabelled}, nil},
		"signs after the interval":          {[]Application{signed}, nil},
	} {
		verdict := n.EarlyEntryAt(test.applications, test.airings, visit(NoContact))
		require.False(t, verdict.Allowed, name)
		require.Contains(t, refused(verdict), "early-entry-closed", name)
	}
	signed.Products[0].Interval = hours("24")
	require.True(t, n.EarlyEntryAt([]Application{signed}, nil, visit(NoContact)).Allowed, "signs stand during the interval")
}

func TestNoEarlyEntryWhereNoRuleOfItIsEntered(t *testing.T) {
	for _, code := range []string{"ZA", "DE", ""} {
		verdict := nursery(code).EarlyEntryAt([]Application{drench("24")}, nil, visit(NoContact))
		require.Equal(t, []string{"early-entry-law"}, refused(verdict), code)
	}
}

func TestAnOpenHouseNeedsNoException(t *testing.T) {
	entry := visit(ShortTerm)
	entry.Age = 17
	verdict := nursery("US").EarlyEntryAt([]Application{drench("4")}, nil, entry)
	require.True(t, verdict.Allowed)
	require.Equal(t, "early-entry-not-needed", verdict.Grounds[0].Rule)
}
