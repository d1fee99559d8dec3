package rules

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"

	"velamen/internal/rulefile"
)

// Share is a fraction of the applications in a window, exact.
type Share struct{ Num, Den int }

// IsZero reports whether there is no limit.
func (s Share) IsZero() bool { return s.Den == 0 }

// Of returns how many of n applications the share allows: rounded down, because
// rounding up would exceed it, but one at least, because the first application
// of any group is all of the applications there are.
func (s Share) Of(n int) int { return max(1, s.Num*n/s.Den) }

// String returns the share as the rule set writes it, for example "33 %".
func (s Share) String() string {
	if s.Den == 100 {
		return fmt.Sprintf("%d %%", s.Num)
	}
	return fmt.Sprintf("%d/%d", s.Num, s.Den)
}

// CountRow is one row of a table: the most applications of a group when there are
// at most UpTo in all.
type CountRow struct{ UpTo, Most int }

// CountTable is how often a group may be used against one disorder.
type CountTable struct {
	Disorder string
	Rows     []CountRow
}

// Most returns the most applications of the group among total against the
// disorder.
func (t CountTable) Most(total int) int {
	for _, row := range t.Rows {
		if total <= row.UpTo {
			return row.Most
		}
	}
	return t.Rows[len(t.Rows)-1].Most
}

// Limits are how often a resistance group may be used against a class of
// disorder. Zero values are no limit.
type Limits struct {
	// Group is the FRAC code; Name what its members are called.
	Group, Name string
	// Risk of resistance, for example "medium-high"; "not known" for a group that
	// the rule set does not list.
	Risk string
	// Capped is false for groups that need no rotation.
	Capped bool
	// MaxConsecutive is the most applications one after another; LabelBlock what a
	// label may raise it to.
	MaxConsecutive, LabelBlock int
	// MaxAlone is the most of a block without a partner, on AloneDisorders.
	MaxAlone       int
	AloneDisorders []string
	// Rest asks for at least as many applications without the group after a block
	// as the block had.
	Rest bool
	// Share of all applications in the window; SoloShare those without a partner.
	Share, SoloShare Share
	// Partner is true when the group may never be applied alone.
	Partner bool
	// Most is the most applications in MostDays.
	Most, MostDays int
	// Tables replace Share for the disorders that they are for.
	Tables []CountTable
	// Source is where the limits come from, with its mark.
	Source string
}

// tableFor returns the table for a disorder.
func (l *Limits) tableFor(disorder string) (CountTable, bool) {
	for _, table := range l.Tables {
		if table.Disorder == disorder {
			return table, true
		}
	}
	return CountTable{}, false
}

// consecutive returns the most applications one after another. A label may raise
// the limit of a risk class; that it may lower any limit is a rule of its own.
func (l *Limits) consecutive(label int) int {
	if l.MaxConsecutive == 0 {
		return 0
	}
	return max(l.MaxConsecutive, min(label, l.LabelBlock))
}

// rotationSet is the rule set of rotation.yaml.
type rotationSet struct {
	windowApplications, windowDays int
	windowSource                   string
	returnGroups                   int
	returnAction                   Outcome
	returnSource                   string
	roundBeforeSource              string
	prefixes                       []string
	uncapped                       map[string]bool
	uncappedSource                 string
	aliases                        map[string]string
	groups                         map[string]*Limits
	// unlisted are the limits of a group that the set does not list.
	unlisted Limits
	// longestDays is how far back any rule looks.
	longestDays int
}

var rotation = sync.OnceValue(func() *rotationSet { return mustLoad(rotationFile, parseRotation) })

// GroupOf returns a FRAC code as the present code list writes it: M1 becomes M01,
// 33 becomes P07, 44 becomes BM02 and U15 becomes 49. 11A becomes 11: they count
// as one group.
func GroupOf(code string) string {
	code = strings.ToUpper(strings.TrimSpace(code))
	if present, renamed := rotation().aliases[code]; renamed {
		return present
	}
	return code
}

// Capped reports whether a resistance group must be rotated. Multi-site,
// phosphonate, biological and unclassified groups need not.
func Capped(code string) bool { return rotation().capped(GroupOf(code)) }

func (set *rotationSet) capped(group string) bool {
	if set.uncapped[group] {
		return false
	}
	for _, prefix := range set.prefixes {
		rest, found := strings.CutPrefix(group, prefix)
		if found && rest != "" && rest[0] >= '0' && rest[0] <= '9' {
			return false
		}
	}
	return true
}

// LimitsOf returns the limits of a resistance group. A group that the rule set
// does not list is held to those of a high risk.
func LimitsOf(code string) Limits { return *rotation().limits(GroupOf(code)) }

func (set *rotationSet) limits(group string) *Limits {
	if limits, listed := set.groups[group]; listed {
		return limits
	}
	limits := set.unlisted
	limits.Group = group
	if !set.capped(group) {
		limits = Limits{Group: group, Risk: "low", Source: set.uncappedSource}
	}
	return &limits
}

// Window returns how far back shares and blocks are counted: at most so many
// applications, and none older than so many days.
func Window() (applications, days int) { return rotation().windowApplications, rotation().windowDays }

type rotationRows struct {
	Source string `yaml:"source"`
	Date   string `yaml:"date"`
	Window struct {
		Applications int `yaml:"applications"`
		Days         int `yaml:"days"`
		origin       `yaml:",inline"`
	} `yaml:"window"`
	Return struct {
		Groups int    `yaml:"groups"`
		Action string `yaml:"action"`
		origin `yaml:",inline"`
	} `yaml:"return"`
	RoundBefore origin `yaml:"round_before"`
	Uncapped    struct {
		Prefixes []string `yaml:"prefixes"`
		Codes    []string `yaml:"codes"`
		origin   `yaml:",inline"`
	} `yaml:"uncapped"`
	Aliases struct {
		Codes  map[string]string `yaml:"codes"`
		origin `yaml:",inline"`
	} `yaml:"aliases"`
	Risks  []limitRow `yaml:"risks"`
	Groups []limitRow `yaml:"groups"`
}

type limitRow struct {
	Code           string `yaml:"code"`
	Name           string `yaml:"name"`
	Risk           string `yaml:"risk"`
	MaxConsecutive int    `yaml:"max_consecutive"`
	LabelBlock     int    `yaml:"label_block"`
	MaxAlone       struct {
		Most      int      `yaml:"most"`
		Disorders []string `yaml:"disorders"`
	} `yaml:"max_alone"`
	Rest      bool       `yaml:"rest"`
	Share     string     `yaml:"share"`
	SoloShare string     `yaml:"solo_share"`
	Partner   bool       `yaml:"partner"`
	Most      int        `yaml:"most"`
	MostDays  int        `yaml:"most_days"`
	Tables    []tableRow `yaml:"tables"`
	origin    `yaml:",inline"`
}

type tableRow struct {
	Disorder string `yaml:"disorder"`
	Rows     []struct {
		UpTo int `yaml:"up_to"`
		Most int `yaml:"most"`
	} `yaml:"rows"`
}

// riskNotKnown are the limits of a group that the file does not list: those of
// this risk class.
const riskNotKnown = "high"

// parseRotation reads rotation.yaml. Errors name the file, the row and the field.
func parseRotation(file []byte) (*rotationSet, error) {
	set, err := readRotation(file)
	if err != nil {
		return nil, fmt.Errorf("rotation.yaml: %w", err)
	}
	return set, nil
}

func readRotation(file []byte) (*rotationSet, error) {
	var rows rotationRows
	if err := rulefile.Decode(file, &rows); err != nil {
		return nil, err
	}
	set := &rotationSet{groups: map[string]*Limits{}, uncapped: map[string]bool{}, aliases: rows.Aliases.Codes}
	if err := set.readHead(rows); err != nil {
		return nil, err
	}
	risks := map[string]Limits{}
	for i, row := range rows.Risks {
		limits, err := row.limits(Limits{})
		if err == nil && (row.Code != "" || row.Risk == "") {
			err = errors.New("risk: must be given, and no code")
		}
		if _, twice := risks[row.Risk]; err == nil && twice {
			err = errors.New("risk: is listed twice")
		}
		if err != nil {
			return nil, fmt.Errorf("risks row %d (%q): %w", i+1, row.Risk, err)
		}
		risks[row.Risk] = limits
	}
	for i, row := range rows.Groups {
		if err := set.addGroup(row, risks); err != nil {
			return nil, fmt.Errorf("groups row %d (%q): %w", i+1, row.Code, err)
		}
	}
	unlisted, known := risks[riskNotKnown]
	if !known {
		return nil, fmt.Errorf("risks: %q must be listed", riskNotKnown)
	}
	unlisted.Risk = "not known"
	unlisted.Source = "group that is not listed, held to high risk: " + unlisted.Source
	set.unlisted = unlisted
	return set, nil
}

func (set *rotationSet) readHead(rows rotationRows) error {
	if err := rulefile.CheckHead(rows.Source, rows.Date); err != nil {
		return err
	}
	for _, part := range []struct {
		name string
		origin
	}{
		{"window", rows.Window.origin}, {"return", rows.Return.origin}, {"round_before", rows.RoundBefore},
		{"uncapped", rows.Uncapped.origin}, {"aliases", rows.Aliases.origin},
	} {
		if err := part.check(); err != nil {
			return fmt.Errorf("%s: %w", part.name, err)
		}
	}
	if rows.Window.Applications < 1 || rows.Window.Days < 1 || rows.Window.Days > mostDays {
		return fmt.Errorf("window: applications and days must be from 1 to %d", mostDays)
	}
	if rows.Return.Groups < 1 || rows.Return.Groups > rows.Window.Applications {
		return fmt.Errorf("return: groups: must be from 1 to %d", rows.Window.Applications)
	}
	var err error
	if set.returnAction, err = action(rows.Return.Action); err != nil {
		return fmt.Errorf("return: %w", err)
	}
	set.windowApplications, set.windowDays, set.windowSource = rows.Window.Applications, rows.Window.Days, rows.Window.Source
	set.longestDays = rows.Window.Days
	set.returnGroups, set.returnSource, set.roundBeforeSource = rows.Return.Groups, rows.Return.Source, rows.RoundBefore.Source
	set.prefixes, set.uncappedSource = rows.Uncapped.Prefixes, rows.Uncapped.Source
	for _, code := range rows.Uncapped.Codes {
		set.uncapped[code] = true
	}
	for _, old := range slices.Sorted(maps.Keys(rows.Aliases.Codes)) {
		present := rows.Aliases.Codes[old]
		if _, again := rows.Aliases.Codes[present]; again || !groupCode.MatchString(present) {
			return fmt.Errorf("aliases: codes: %q: %q is not a present FRAC code", old, present)
		}
	}
	return nil
}

func (set *rotationSet) addGroup(row limitRow, risks map[string]Limits) error {
	base, known := risks[row.Risk]
	switch {
	case !groupCode.MatchString(row.Code):
		return errors.New("code: is not a present FRAC code")
	case row.Name == "":
		return errors.New("name: must be given")
	case !known:
		return fmt.Errorf("risk: %q is not one of the risks", row.Risk)
	case set.groups[row.Code] != nil:
		return errors.New("code: is listed twice")
	case !set.capped(row.Code):
		return errors.New("code: is listed as uncapped too")
	case row.LabelBlock != 0:
		return errors.New("label_block: is for risks only")
	}
	if row.MaxConsecutive > 0 {
		base.LabelBlock = 0
	}
	limits, err := row.limits(base)
	if err != nil {
		return err
	}
	if row.MaxConsecutive == 0 && base.MaxConsecutive > 0 && base.Source != "" {
		limits.Source += "; " + base.Source
	}
	set.groups[row.Code] = &limits
	set.longestDays = max(set.longestDays, limits.MostDays)
	return nil
}

// groupCode is a FRAC code as the present list writes it.
var groupCode = regexp.MustCompile(`^([1-9][0-9]?|(M|P|BM|U)[0-9]{2}|NC)$`)

// mostDays is the longest period in days that a rule set may name: ten years.
const mostDays = 3660

// limits returns the limits of a row on top of those of its risk.
func (row limitRow) limits(base Limits) (Limits, error) {
	if err := row.check(); err != nil {
		return Limits{}, err
	}
	limits := base
	limits.Group, limits.Name, limits.Risk, limits.Capped = row.Code, row.Name, row.Risk, true
	limits.Source = row.Source
	if row.MaxConsecutive > 0 {
		limits.MaxConsecutive = row.MaxConsecutive
	}
	if row.LabelBlock > 0 {
		limits.LabelBlock = row.LabelBlock
	}
	limits.MaxAlone, limits.AloneDisorders = row.MaxAlone.Most, row.MaxAlone.Disorders
	limits.Rest, limits.Partner = row.Rest, row.Partner
	limits.Most, limits.MostDays = row.Most, row.MostDays
	var err error
	if limits.Share, err = parseShare(row.Share); err != nil {
		return Limits{}, fmt.Errorf("share: %w", err)
	}
	if limits.SoloShare, err = parseShare(row.SoloShare); err != nil {
		return Limits{}, fmt.Errorf("solo_share: %w", err)
	}
	for _, table := range row.Tables {
		read, err := table.table()
		if err != nil {
			return Limits{}, fmt.Errorf("tables (%q): %w", table.Disorder, err)
		}
		limits.Tables = append(limits.Tables, read)
	}
	return limits, nil
}

func (row limitRow) check() error {
	if err := row.origin.check(); err != nil {
		return err
	}
	for _, field := range []struct {
		name  string
		value int
	}{
		{"max_consecutive", row.MaxConsecutive}, {"label_block", row.LabelBlock}, {"max_alone: most", row.MaxAlone.Most},
		{"most", row.Most}, {"most_days", row.MostDays},
	} {
		if field.value < 0 || field.value > mostDays {
			return fmt.Errorf("%s: must be from 0 to %d", field.name, mostDays)
		}
	}
	if (row.Most > 0) != (row.MostDays > 0) {
		return errors.New("most: goes with most_days")
	}
	if (row.MaxAlone.Most > 0) != (len(row.MaxAlone.Disorders) > 0) {
		return errors.New("max_alone: most goes with disorders")
	}
	return nil
}

// table reads a table whose counts grow by one at most when one more application
// of the group is counted: a longer history must never allow more.
func (row tableRow) table() (CountTable, error) {
	if row.Disorder == "" || len(row.Rows) == 0 {
		return CountTable{}, errors.New("disorder and rows must be given")
	}
	table := CountTable{Disorder: row.Disorder}
	for i, r := range row.Rows {
		last := i == len(row.Rows)-1
		before := CountRow{}
		if i > 0 {
			before = table.Rows[i-1]
		}
		if last != (r.UpTo == 0) || (!last && r.UpTo <= before.UpTo) {
			return CountTable{}, fmt.Errorf("row %d: up_to: must rise, and be 0 in the last row only", i+1)
		}
		if r.Most < 1 || r.Most < before.Most || (i > 0 && r.Most > before.Most+1) {
			return CountTable{}, fmt.Errorf("row %d: most: must be 1 or more and rise by one at most", i+1)
		}
		upTo := r.UpTo
		if last {
			upTo = math.MaxInt
		}
		table.Rows = append(table.Rows, CountRow{UpTo: upTo, Most: r.Most})
	}
	return table, nil
}

var (
	percentShare = regexp.MustCompile(`^([1-9][0-9]?|100) %$`)
	fraction     = regexp.MustCompile(`^([1-9][0-9]?)/([1-9][0-9]?)$`)
)

// parseShare reads "33 %" or "1/3"; nothing is no limit.
func parseShare(text string) (Share, error) {
	if text == "" {
		return Share{}, nil
	}
	if m := percentShare.FindStringSubmatch(text); m != nil {
		num, err := strconv.Atoi(m[1])
		return Share{Num: num, Den: 100}, err
	}
	if m := fraction.FindStringSubmatch(text); m != nil {
		num, err := strconv.Atoi(m[1])
		if err != nil {
			return Share{}, err
		}
		den, err := strconv.Atoi(m[2])
		if err == nil && num <= den {
			return Share{Num: num, Den: den}, nil
		}
	}
	return Share{}, fmt.Errorf("%q is not a share such as 33 %% or 1/3", text)
}
