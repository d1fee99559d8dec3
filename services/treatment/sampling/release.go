package sampling

import (
	"fmt"
	"math/big"
	"slices"
	"time"

	"github.com/shopspring/decimal"

	"velamen/internal/fault"
)

// Inspection is one inspection or test of the lots that are to be released.
type Inspection struct {
	// Time is when it was done.
	Time time.Time
	// Plants is how many plants the lots had then.
	Plants int64
	// Sampled is how many of them were looked at or tested: all, or a number drawn at
	// random.
	Sampled int64
	// Affected is how many of them were found affected.
	Affected int64
	// Test says that it was a laboratory or strip test, not a look.
	Test bool
}

// Release is lots that are to be released, with what is known of them.
type Release struct {
	// Plants is how many plants the lots have now.
	Plants int64
	// Inspections are all those of the program, in any order.
	Inspections []Inspection
	// ExposureEnd is when the plants were last open to infection, for example when
	// the last affected part was removed or the last treatment given. Where it is
	// zero the first clean inspection stands for it, which is the strictest reading.
	// Plants that joined while as many left are not seen in the counts: it must not
	// be before the last plant joined.
	ExposureEnd time.Time
	// Period is the latent period of the disorder (PeriodOf).
	Period Period
	// Values are what the release must prove (DesignValues).
	Values Values
}

// ShortfallCode says what a release lacks.
type ShortfallCode string

// What a release can lack.
const (
	// LastNotClean is a last inspection that found affected plants.
	LastNotClean ShortfallCode = "LAST_NOT_CLEAN"
	// PlantsJoined is plants that came into the lots after an inspection, which then
	// cannot count. It stands only beside another shortfall, as its explanation.
	PlantsJoined ShortfallCode = "PLANTS_JOINED"
	// TooFewClean is too few clean inspections that count.
	TooFewClean ShortfallCode = "TOO_FEW_CLEAN"
	// SpanTooShort is a time clean that is shorter than the disorder needs.
	SpanTooShort ShortfallCode = "SPAN_TOO_SHORT"
	// ConfidenceTooLow is too few plants looked at after the latent period.
	ConfidenceTooLow ShortfallCode = "CONFIDENCE_TOO_LOW"
)

// Shortfall is one reason why lots cannot be released yet.
type Shortfall struct {
	Code ShortfallCode
	// Message is a sentence for a person.
	Message string
}

// Evidence is what a set of clean inspections proves.
type Evidence struct {
	// Looks are the inspections that it combines, in the order of their times.
	Looks []Look
	// Confidence is the probability with which affected plants of the prevalence
	// would have been seen, rounded down to 6 places.
	Confidence decimal.Decimal
	// RuledOut is what is ruled out at the confidence asked for.
	RuledOut Ruling
}

// Statement is what is stated at a release.
type Statement struct {
	// Releasable reports whether there is no shortfall.
	Releasable bool
	// Infection is false for what is no infection; nothing else is then stated but
	// the sentence.
	Infection bool
	// Affected is how many affected plants the prevalence makes among the plants.
	Affected int64
	// Needed is the sample of one inspection that would reach the confidence.
	Needed Size
	// Clean and CleanNeeded are the clean inspections that count, and those needed.
	Clean, CleanNeeded int
	// SpanDays and SpanNeededDays are the whole days clean, and those needed.
	SpanDays, SpanNeededDays int
	// Proven is what the inspections after the longest latent period prove; it
	// decides. It holds for every plant, however late its signs.
	Proven Evidence
	// Shown is what all clean inspections that count prove together about plants
	// that had signs at each of them.
	Shown Evidence
	// Shortfalls are the reasons why the lots cannot be released, if any.
	Shortfalls []Shortfall
	// Sentence states confidence and prevalence, for people and records.
	Sentence string
}

// Assess says whether clean inspections are enough to release lots, and what they
// prove. It decides by the inspections after the longest latent period alone:
// earlier ones cannot have seen plants that were still latent. Inspections closer
// together than the least days apart count once; those that say most are taken.
// An inspection says nothing about plants that joined later. Bad input gives a
// fault that names the field. It knows nothing of what hides signs: a treatment
// that suppresses a disease without curing it lengthens the latent period.
func Assess(release Release) (Statement, error) {
	if err := release.check(); err != nil {
		return Statement{}, err
	}
	if release.Period.ReleasedBy == ByNothing {
		return Statement{
			Releasable: true,
			Sentence:   fmt.Sprintf("%s is no infection; a release needs no inspections.", release.Period.Disorder),
		}, nil
	}
	affected, err := AffectedPlants(release.Plants, release.Values.Prevalence)
	if err != nil {
		return Statement{}, err
	}
	needed, err := SampleSize(release.Plants, release.Values.Confidence, release.Values.Prevalence, release.sensitivity())
	if err != nil {
		return Statement{}, err
	}
	statement := Statement{
		Infection: true, Affected: affected, Needed: needed,
		CleanNeeded: release.Values.CleanInspections, SpanNeededDays: release.Period.SpanDays,
	}
	release.weigh(&statement)
	statement.Releasable = len(statement.Shortfalls) == 0
	statement.Sentence = release.sentence(statement)
	return statement, nil
}

func (r Release) check() error {
	if err := checkPlants("plants", r.Plants); err != nil {
		return err
	}
	if err := r.Values.check(); err != nil {
		return err
	}
	if r.Period.Disorder == "" {
		return fault.Field("period", "must be the latent period of a disorder")
	}
	if err := r.Period.check("period."); err != nil {
		return err
	}
	if err := checkCount("inspections", 0, mostInspections, int64(len(r.Inspections))); err != nil {
		return err
	}
	for i, inspection := range r.Inspections {
		if err := inspection.check(fmt.Sprintf("inspections[%d].", i)); err != nil {
			return err
		}
	}
	return nil
}

func (i Inspection) check(at string) error {
	if i.Time.IsZero() {
		return fault.Field(at+"time", "must be given")
	}
	if err := checkPlants(at+"plants", i.Plants); err != nil {
		return err
	}
	if err := checkCount(at+"sampled", 1, i.Plants, i.Sampled); err != nil {
		return err
	}
	return checkCount(at+"affected", 0, i.Sampled, i.Affected)
}

// sensitivity is that of what releases lots from the disorder.
func (r Release) sensitivity() decimal.Decimal {
	if r.Period.ReleasedBy == ByTests {
		return r.Values.TestSensitivity
	}
	return r.Values.Sensitivity
}

// weigh fills in what the inspections prove and lack.
func (r Release) weigh(s *Statement) {
	if last, ok := r.last(); ok && last.Affected > 0 {
		s.lack(LastNotClean, "the last inspection found %s", count(last.Affected, "affected plant"))
	}
	clean, start, joined := r.clean()
	if len(clean) > 0 {
		s.SpanDays = days(start, clean[len(clean)-1].Time)
	}
	s.Clean = r.mostApart(clean)
	if s.Clean < s.CleanNeeded {
		s.lack(TooFewClean, "%s at least %s apart %s needed, there %s %d",
			count(int64(s.CleanNeeded), "clean "+r.noun()), count(int64(r.Values.LeastDaysApart), "day"),
			verb(int64(s.CleanNeeded)), verb(int64(s.Clean)), s.Clean)
	}
	if s.SpanDays < s.SpanNeededDays {
		s.lack(SpanTooShort, "the lots must be clean for %s, and were for %d", count(int64(s.SpanNeededDays), "day"), s.SpanDays)
	}
	shown := slices.DeleteFunc(slices.Clone(clean), func(i Inspection) bool {
		return days(start, i.Time) < r.Period.LatentMaxDays
	})
	s.Shown = r.evidence(clean, s.Affected)
	s.Proven = r.evidence(shown, s.Affected)
	if len(s.Proven.Looks) == 0 || !r.reached(s.Proven) {
		s.lack(ConfidenceTooLow, "inspections after the longest latent period of %s prove %s confidence, %s is needed",
			count(int64(r.Period.LatentMaxDays), "day"), percent(s.Proven.Confidence), percent(r.Values.Confidence))
	}
	if joined > 0 && len(s.Shortfalls) > 0 {
		s.lack(PlantsJoined, "%s cannot count: plants joined the lots afterwards and were not there to be seen",
			count(int64(joined), "inspection"))
	}
}

// reached compares a confidence that is rounded down with one of at most as many
// places, so rounding cannot change the answer.
func (r Release) reached(e Evidence) bool {
	return e.Confidence.GreaterThanOrEqual(r.Values.Confidence)
}

func (s *Statement) lack(code ShortfallCode, format string, args ...any) {
	s.Shortfalls = append(s.Shortfalls, Shortfall{Code: code, Message: fmt.Sprintf(format, args...)})
}

// clean returns the clean inspections that can count, in the order of their
// times, from when the lots are clean, and how many inspections do not count
// because plants joined the lots after them.
func (r Release) clean() (counting []Inspection, start time.Time, joined int) {
	counting = slices.Clone(r.Inspections)
	slices.SortStableFunc(counting, func(a, b Inspection) int { return a.Time.Compare(b.Time) })
	joined = r.beforeJoining(counting)
	start = r.ExposureEnd
	// origin is the inspection from which the lots are counted clean where nothing
	// else says when they were last open to infection.
	var origin time.Time
	if joined > 0 && joined < len(counting) && counting[joined].Time.After(start) {
		// Nobody knows to what the plants that joined were open before they were seen.
		start, origin = counting[joined].Time, counting[joined].Time
	}
	for _, inspection := range counting {
		if inspection.Affected > 0 && !inspection.Time.Before(start) {
			start, origin = inspection.Time, time.Time{}
		}
	}
	counting = slices.DeleteFunc(counting[joined:], func(i Inspection) bool {
		return i.Affected > 0 || i.Time.Before(start) || (r.Period.ReleasedBy == ByTests && !i.Test)
	})
	if start.IsZero() && len(counting) > 0 {
		start, origin = counting[0].Time, counting[0].Time
	}
	// Before the shortest latent period has passed nothing new can show.
	counting = slices.DeleteFunc(counting, func(i Inspection) bool {
		return days(start, i.Time) < r.Period.LatentMinDays && (origin.IsZero() || !i.Time.Equal(origin))
	})
	return counting, start, joined
}

// beforeJoining is how many of the inspections, in order of time, have more plants
// after them than at them.
func (r Release) beforeJoining(inspections []Inspection) int {
	next := r.Plants
	for i := len(inspections) - 1; i >= 0; i-- {
		if inspections[i].Plants < next {
			return i + 1
		}
		next = inspections[i].Plants
	}
	return 0
}

func (r Release) last() (Inspection, bool) {
	if len(r.Inspections) == 0 {
		return Inspection{}, false
	}
	return slices.MaxFunc(r.Inspections, func(a, b Inspection) int {
		if order := a.Time.Compare(b.Time); order != 0 {
			return order
		}
		return int(min(a.Affected, 1) - min(b.Affected, 1))
	}), true
}

// days is the whole days from one time to another; negative where to is earlier.
func days(from, to time.Time) int {
	const day = 24 * time.Hour
	passed := to.Sub(from)
	whole := passed / day
	if passed%day < 0 {
		whole--
	}
	return int(whole)
}

// mostApart is the largest number of inspections, in order of time, that are the
// least days apart.
func (r Release) mostApart(inspections []Inspection) int {
	counted := 0
	var last time.Time
	for _, inspection := range inspections {
		if counted == 0 || days(last, inspection.Time) >= r.Values.LeastDaysApart {
			counted, last = counted+1, inspection.Time
		}
	}
	return counted
}

// evidence combines those inspections that are the least days apart and together
// say most about the affected plants.
func (r Release) evidence(inspections []Inspection, affected int64) Evidence {
	looks := r.strongest(inspections, affected)
	if len(looks) == 0 {
		return Evidence{RuledOut: Ruling{Plants: r.Plants}}
	}
	return Evidence{
		Looks:      looks,
		Confidence: confidenceOf(missed(looks, affected)),
		RuledOut:   ruledOut(complement(r.Values.Confidence), r.Plants, looks),
	}
}

// choice is the best set of looks among the first inspections.
type choice struct {
	miss  *big.Float
	looks []Look
}

// strongest picks by dynamic programming over time: the best set up to an
// inspection either leaves it out, or takes it with the best set that ended early
// enough. Any set is sound, so upper bounds are good enough to choose by.
func (r Release) strongest(inspections []Inspection, affected int64) []Look {
	best := []choice{{miss: big.NewFloat(1)}}
	for i, inspection := range inspections {
		early := i
		for early > 0 && days(inspections[early-1].Time, inspection.Time) < r.Values.LeastDaysApart {
			early--
		}
		look := r.look(inspection)
		miss := new(big.Float).Mul(&look.missWithin(fewBits, affected).high, best[early].miss)
		next := best[i]
		if miss.Cmp(next.miss) < 0 {
			next = choice{miss: miss, looks: append(slices.Clone(best[early].looks), look)}
		}
		best = append(best, next)
	}
	return best[len(inspections)].looks
}

func (r Release) look(i Inspection) Look {
	sensitivity := r.Values.Sensitivity
	if i.Test {
		sensitivity = r.Values.TestSensitivity
	}
	return Look{Plants: i.Plants, Sampled: i.Sampled, Sensitivity: sensitivity}
}

// noun is what an inspection of the disorder is called.
func (r Release) noun() string {
	if r.Period.ReleasedBy == ByTests {
		return "test"
	}
	return "inspection"
}

// sentence states confidence and prevalence.
func (r Release) sentence(s Statement) string {
	design := fmt.Sprintf("%d or more of the %s (%s)", s.Affected, count(r.Plants, "plant"), percent(shareOf(s.Affected, r.Plants)))
	if len(s.Proven.Looks) == 0 {
		return fmt.Sprintf("Nothing is proven yet: no clean %s counts after the longest latent period, %s.",
			r.noun(), count(int64(r.Period.LatentMaxDays), "day"))
	}
	sentence := fmt.Sprintf("Had %s been affected, the %s after the longest latent period, %s, would have found at least one with %s confidence",
		design, count(int64(len(s.Proven.Looks)), "clean "+r.noun()), count(int64(r.Period.LatentMaxDays), "day"), percent(s.Proven.Confidence))
	if s.Proven.Confidence.LessThan(unity) {
		sentence += " or more"
	}
	sentence += fmt.Sprintf("; at %s confidence ", percent(r.Values.Confidence))
	if s.Proven.RuledOut.Possible {
		sentence += fmt.Sprintf("%d or more affected plants (%s) are ruled out",
			s.Proven.RuledOut.Affected, percent(s.Proven.RuledOut.Prevalence))
	} else {
		sentence += "nothing is ruled out"
	}
	return sentence + ", if " + r.assumption(s.Proven.Looks) + "."
}

// assumption states the sensitivities that the looks were reckoned with.
func (r Release) assumption(looks []Look) string {
	for _, look := range looks {
		if !look.Sensitivity.Equal(r.sensitivity()) {
			return fmt.Sprintf("a look finds %s and a test %s of the affected plants that it takes in",
				percent(r.Values.Sensitivity), percent(r.Values.TestSensitivity))
		}
	}
	return fmt.Sprintf("each finds %s of the affected plants that it takes in", percent(r.sensitivity()))
}

func percent(share decimal.Decimal) string { return share.Shift(2).String() + " %" }

func count(n int64, noun string) string { return fmt.Sprintf("%d %s", n, plural(n, noun)) }

func plural(n int64, noun string) string {
	if n == 1 {
		return noun
	}
	return noun + "s"
}

func verb(n int64) string {
	if n == 1 {
		return "is"
	}
	return "are"
}
