package rules_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/services/treatment/rules"
)

const (
	fungus   = diagnosisv1.DisorderClass_DISORDER_CLASS_FUNGUS
	oomycete = diagnosisv1.DisorderClass_DISORDER_CLASS_OOMYCETE
)

// now is when the use in question is made.
var now = time.Date(2026, 6, 15, 8, 0, 0, 0, time.UTC)

// before returns the uses of a lot, one every 7 days up to 7 days before now,
// oldest first: "9 7+12 M05" is cyprodinil, then a mixture, then a multi-site.
func before(disorder string, class diagnosisv1.DisorderClass, groups string) []rules.Use {
	var uses []rules.Use
	fields := strings.Fields(groups)
	for i, mix := range fields {
		uses = append(uses, rules.Use{
			Time:     now.AddDate(0, 0, -7*(len(fields)-i)),
			Disorder: disorder, Class: class, Groups: strings.Split(mix, "+"),
		})
	}
	return uses
}

func broken(tallies []rules.Tally) string {
	var texts []string
	for _, t := range tallies {
		texts = append(texts, fmt.Sprintf("%s %s %d/%d", t.Group, strings.TrimPrefix(t.Rule, "rotation-"), t.Used, t.Limit))
	}
	return strings.Join(texts, ", ")
}

// brokenBy are the rotation rules that a use would break on a lot treated with others.
func brokenBy(uses []rules.Use, use rules.Use) []rules.Tally {
	return slices.DeleteFunc(rules.NewSequence(uses...).Tallies(use), func(t rules.Tally) bool { return t.Outcome == rules.Pass })
}

// useNow is a use of groups now, all of which work on the class.
func useNow(disorder string, class diagnosisv1.DisorderClass, codes ...string) rules.Use {
	use := rules.Use{Time: now, Disorder: disorder, Class: class}
	for _, code := range codes {
		use.Groups = append(use.Groups, rules.GroupOf(code))
	}
	return use
}

func TestRotation(t *testing.T) {
	for _, test := range []struct {
		name, disorder, before, use string
		class                       diagnosisv1.DisorderClass
		breaks                      string
	}{
		{"first ever application", "rust", "", "3", fungus, ""},
		{"multi-site groups are never counted", "rust", "M05 M05 M05 M05 M05", "M05", fungus, ""},
		{"phosphonates are never counted", "black-rot", "P07 P07 P07", "P07", oomycete, ""},
		{"medium risk, second", "rust", "3", "3", fungus, ""},
		{"medium risk, third", "rust", "3 3", "3", fungus, "3 consecutive 3/2"},
		{"a mixture counts in each of its groups", "rust", "3+M05 3+M03", "3+12", fungus, "3 consecutive 3/2"},
		{"high risk by default, second", "bacterial-soft-rot", "25", "25", diagnosisv1.DisorderClass_DISORDER_CLASS_BACTERIUM, "25 consecutive 2/1"},
		{"a group that is not listed is held to high risk", "rust", "88", "88", fungus, "88 consecutive 2/1"},
		{"returns after two other groups", "rust", "12 M05 19", "12", fungus, ""},
		{"returns after one other group", "rust", "12 M05", "12", fungus, "12 return 2/3"},
		{"one other group twice is one group", "rust", "12 M05 M05", "12", fungus, "12 return 2/3"},
		{"a mixture is two groups", "rust", "12 M05+19", "12", fungus, ""},
		{"SDHI alone, a third of seven", "rust", "7+M05 M05 3 M05 12 M05", "7", fungus, ""},
		{"SDHI alone, two of five", "rust", "7 M05 3 M05", "7", fungus, "7 solo-share 2/1"},
		{"SDHI in mixture, half", "rust", "7+M05 12 3 M05 7+M05", "7+12", fungus, ""},
		{"SDHI in mixture, more than half", "rust", "7+M05 12 3 7+M05", "7+12", fungus, "7 share 3/2"},
		{"QoI, rest shorter than the block", "rust", "11+3 11+3 M05+12", "11+M05", fungus, "11 share 3/2, 11 rest 1/2"},
		{"DMI alone twice on a pathogen of high risk", "grey-mould", "3", "3", fungus, "3 alone 2/1"},
		{"DMI alone, then in mixture", "grey-mould", "3", "3+M05", fungus, ""},
		{"phenylamide alone", "black-rot", "", "4", oomycete, "4 partner 0/0"},
		{"phenylamide with a partner", "black-rot", "", "4+M03", oomycete, ""},
		{"phenylamide, third in a year", "black-rot", "4+M03 40+M03 28 M03 4+M03 40+M03 28 M03 P07 14", "4+M03", oomycete, "4 most 3/2"},
		{"CAA alternates", "black-rot", "40", "40", oomycete, "40 consecutive 2/1, 40 share 2/1"},
		{"MBC, more than 33 %", "anthracnose", "1 M05 3", "1", fungus, "1 share 2/1"},
		{"against another class it does not count", "black-rot", "", "40", oomycete, ""},
	} {
		t.Run(test.name, func(t *testing.T) {
			uses := before(test.disorder, test.class, test.before)
			uses = append(uses, rules.Use{Time: now.AddDate(0, 0, -1), Disorder: "other", Class: diagnosisv1.DisorderClass_DISORDER_CLASS_NO_DISEASE, Groups: []string{"40", "3", "12"}})
			require.ElementsMatch(t, strings.Split(test.breaks, ", "),
				strings.Split(broken(brokenBy(uses, useNow(test.disorder, test.class, strings.Split(test.use, "+")...))), ", "))
		})
	}
}

// FRAC AP working group recommendations 2022, Botrytis: at most 1 of up to 3
// sprays, 2 of 4 to 6, 3 of 7 or more and then at most 2 one after another.
func TestPublishedFRACGroup9OnBotrytis(t *testing.T) {
	table := rules.LimitsOf("9").Tables[0]
	for total, most := range map[int]int{1: 1, 3: 1, 4: 2, 5: 2, 6: 2, 7: 3, 8: 3, 12: 3} {
		require.Equal(t, most, table.Most(total), "%d sprays", total)
	}
	for _, test := range []struct{ before, breaks string }{
		{"9 M05 12 M05", ""},                        // 2 of 5
		{"9 M05 9 12", "9 count 3/2, 9 return 2/3"}, // 3 of 5
		{"9 M05 12 9 M05 12", ""},                   // 3 of 7
		{"9 9 12 M05 M05 9 M05 12", "9 count 4/3"},  // 4 of 9
		{"M05 12 M05 12 9 9", "9 consecutive 3/2"},  // 3 of 7, but one after another
	} {
		require.ElementsMatch(t, strings.Split(test.breaks, ", "),
			strings.Split(broken(brokenBy(before("grey-mould", fungus, test.before), useNow("grey-mould", fungus, "9"))), ", "), test.before)
	}
}

// FRAC OSBPI working group recommendations 2024: in mixture, at most 33 % of the
// oomycete sprays, 1 of fewer than 3.
func TestPublishedFRACGroup49Share(t *testing.T) {
	share := rules.LimitsOf("49").Share
	for total, most := range map[int]int{1: 1, 2: 1, 3: 1, 6: 1, 7: 2, 8: 2, 9: 2, 10: 3} {
		require.Equal(t, most, share.Of(total), "%d sprays", total)
	}
	for _, test := range []struct{ before, breaks string }{
		{"49+M03 M03 P07 40+M03 M03 P07 M03", ""},             // 2 of 8
		{"49+M03 M03 P07 49+M03 M03 P07 M03", "49 share 3/2"}, // 3 of 8
		{"49+M03", "49 share 2/1, 49 consecutive 2/1"},        // 2 of 2
	} {
		require.ElementsMatch(t, strings.Split(test.breaks, ", "),
			strings.Split(broken(brokenBy(before("black-rot", oomycete, test.before), useNow("black-rot", oomycete, "49", "M03"))), ", "), test.before)
	}
}

// FRAC QoI recommendations, from memory: at most 2 applications of group 11 one
// after another.
func TestPublishedFRACGroup11ThirdInARow(t *testing.T) {
	third := before("rust", fungus, "M05 3+M05 12 M05 11+3 11+M05")
	require.Contains(t, broken(brokenBy(third, useNow("rust", fungus, "11A", "M03"))), "11 consecutive 3/2")
	second := before("rust", fungus, "M05 3+M05 12 M05 11+3")
	require.Empty(t, brokenBy(second, useNow("rust", fungus, "11", "M03")))
}

func TestOldCodesAreTheirPresentOnes(t *testing.T) {
	for old, present := range map[string]string{
		"M1": "M01", "M01": "M01", "33": "P07", "44": "BM02", "U15": "49", "11A": "11", " 11a ": "11", "3": "3", "NC": "NC", "m5": "M05",
	} {
		require.Equal(t, present, rules.GroupOf(old))
	}
	for code, capped := range map[string]bool{
		"M01": false, "M5": false, "33": false, "P07": false, "44": false, "NC": false,
		"1": true, "3": true, "49": true, "U15": true, "P01": true, "99": true,
	} {
		require.Equal(t, capped, rules.Capped(code), code)
	}
}

func TestWhatIsOlderThanTheWindowNoLongerCounts(t *testing.T) {
	_, days := rules.Window()
	use := func(at time.Time) rules.Use {
		return rules.Use{Time: at, Disorder: "rust", Class: fungus, Groups: []string{"3"}}
	}
	old := now.Add(-time.Duration(days) * 24 * time.Hour)
	week := now.AddDate(0, 0, -7)
	require.Empty(t, brokenBy([]rules.Use{use(old), use(week)}, use(now)))
	within := []rules.Use{use(old.Add(time.Second)), use(week)}
	require.Equal(t, "3 consecutive 3/2", broken(brokenBy(within, use(now))))
	require.Empty(t, brokenBy(within, use(now.Add(time.Second))))
}

func TestALabelMayRaiseTheBlockOfAHighRiskGroupToTwo(t *testing.T) {
	bacterium := diagnosisv1.DisorderClass_DISORDER_CLASS_BACTERIUM
	for _, test := range []struct {
		label  int
		before string
		breaks string
	}{
		{0, "25", "25 consecutive 2/1"},
		{2, "25", ""},
		{2, "25 25", "25 label-max-consecutive 3/2, 25 consecutive 3/2"},
		{4, "25 25", "25 consecutive 3/2"},
	} {
		use := rules.Use{Time: now, Disorder: "bacterial-soft-rot", Class: bacterium, Groups: []string{"25"}, LabelMax: map[string]int{"25": test.label}}
		require.Equal(t, test.breaks, broken(brokenBy(before("bacterial-soft-rot", bacterium, test.before), use)))
	}
}
