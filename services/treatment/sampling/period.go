package sampling

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"
	"sync"

	"github.com/shopspring/decimal"
	"go.yaml.in/yaml/v3"

	"velamen/internal/fault"
	"velamen/services/diagnosis/knowledge"
)

// Proof is what releases lots from a disorder.
type Proof string

// The proofs.
const (
	// ByInspections is clean inspections by eye.
	ByInspections Proof = "inspections"
	// ByTests is negative laboratory or strip tests and nothing less.
	ByTests Proof = "tests"
	// ByNothing is for what is no infection: nothing can spread.
	ByNothing Proof = "nothing"
)

// Period is what a release asks for of a disorder, with the latent period that it
// rests on.
type Period struct {
	// Disorder is the disorder's id.
	Disorder string
	// ReleasedBy is what releases lots from it. ByNothing leaves all days zero.
	ReleasedBy Proof
	// LatentMinDays and LatentMaxDays are from infection to the first signs, as the
	// knowledge has them.
	LatentMinDays, LatentMaxDays int
	// SpanDays is how long the lots must have been clean.
	SpanDays int
	// Source is where the span comes from and how far to trust it.
	Source string
}

// Latent tells the days from infection to the first signs of a disorder; known is
// false where nothing spreads.
type Latent func(disorder string) (minDays, maxDays int, known bool)

// latentOf is what the knowledge says.
func latentOf(disorder string) (minDays, maxDays int, known bool) {
	found, known := knowledge.Shipped().Disorder(disorder)
	if !known || found.Latent == nil {
		return 0, 0, false
	}
	return found.Latent.MinDays, found.Latent.MaxDays, true
}

// Values are what a release must prove.
type Values struct {
	// Confidence is the probability with which the prevalence would have been seen.
	Confidence decimal.Decimal
	// Prevalence is the share of affected plants that must not go unseen.
	Prevalence decimal.Decimal
	// Sensitivity is the share of affected plants with signs that an inspection by
	// eye sees.
	Sensitivity decimal.Decimal
	// TestSensitivity is the share of infected plants that a test finds.
	TestSensitivity decimal.Decimal
	// CleanInspections is how many clean inspections or negative tests are needed.
	CleanInspections int
	// LeastDaysApart is the days between two inspections for both to count.
	LeastDaysApart int
	// Source is where the values come from.
	Source string
}

var (
	//go:embed data/release-periods.yaml
	periodsFile []byte
	//go:embed data/design-values.yaml
	valuesFile []byte
)

// The files are part of the binary and a test reads them, so a fault in them is
// a broken build.
var (
	periods = sync.OnceValue(func() []Period {
		read, err := ReadPeriods(periodsFile, latentOf)
		if err != nil {
			panic(err)
		}
		return read
	})
	values = sync.OnceValue(func() Values {
		read, err := ReadValues(valuesFile)
		if err != nil {
			panic(err)
		}
		return read
	})
)

// DesignValues returns the values that hold where a nursery sets no others.
func DesignValues() Values { return values() }

// Periods returns what a release asks for of all disorders, by id.
func Periods() []Period { return slices.Clone(periods()) }

// PeriodOf returns what a release asks for of a disorder.
func PeriodOf(disorder string) (Period, bool) {
	i, found := slices.BinarySearchFunc(periods(), disorder, func(p Period, id string) int {
		return strings.Compare(p.Disorder, id)
	})
	if !found {
		return Period{}, false
	}
	return periods()[i], true
}

type periodRow struct {
	Disorder   string `yaml:"disorder"`
	ReleasedBy Proof  `yaml:"released_by"`
	SpanDays   int    `yaml:"span_days"`
	Source     string `yaml:"source"`
}

var disorderID = regexp.MustCompile(`^[a-z][a-z0-9]*(-[a-z0-9]+)*$`)

// longestSpanDays is a bound against a slip of the pen: ten years.
const longestSpanDays = 3650

// ReadPeriods reads what releases ask for from YAML and holds it against the latent
// periods. It refuses unknown fields, missing facts, and rows that are not in the
// order of their ids; the fault names the row and the field.
func ReadPeriods(file []byte, latent Latent) ([]Period, error) {
	var parsed struct {
		Periods []periodRow `yaml:"periods"`
	}
	if err := decodeStrictly("periods", file, &parsed); err != nil {
		return nil, err
	}
	if len(parsed.Periods) == 0 {
		return nil, fault.Field("periods", "must hold at least one row")
	}
	read := make([]Period, 0, len(parsed.Periods))
	for i, row := range parsed.Periods {
		at := fmt.Sprintf("periods[%d].", i)
		if !disorderID.MatchString(row.Disorder) {
			return nil, fault.Field(at+"disorder", "%q must be words of lower-case letters and digits joined by hyphens", row.Disorder)
		}
		if i > 0 && row.Disorder <= parsed.Periods[i-1].Disorder {
			return nil, fault.Field(at+"disorder", "%q must not come after %q: rows stand once each, in the order of their ids", row.Disorder, parsed.Periods[i-1].Disorder)
		}
		period := Period{Disorder: row.Disorder, ReleasedBy: row.ReleasedBy, SpanDays: row.SpanDays, Source: row.Source}
		period.LatentMinDays, period.LatentMaxDays, _ = latent(row.Disorder)
		if err := period.check(at); err != nil {
			return nil, err
		}
		read = append(read, period)
	}
	return read, nil
}

func (p Period) check(at string) error {
	if p.Source == "" {
		return fault.Field(at+"source", "of %s must be given", p.Disorder)
	}
	switch p.ReleasedBy {
	case ByNothing:
		if p.LatentMinDays != 0 || p.LatentMaxDays != 0 || p.SpanDays != 0 {
			return fault.Field(at+"released_by", "of %s is nothing, so it must have neither days nor a latent period", p.Disorder)
		}
		return nil
	case ByInspections, ByTests:
		return p.checkDays(at)
	default:
		return fault.Field(at+"released_by", "of %s must be inspections, tests or nothing, not %q", p.Disorder, p.ReleasedBy)
	}
}

func (p Period) checkDays(at string) error {
	switch {
	case p.LatentMinDays < 1 || p.LatentMaxDays < p.LatentMinDays:
		return fault.Field(at+"disorder", "%s has no latent period from 1 day on, but %d to %d days", p.Disorder, p.LatentMinDays, p.LatentMaxDays)
	case p.SpanDays < p.LatentMaxDays || p.SpanDays > longestSpanDays:
		return fault.Field(at+"span_days", "of %s must be from its longest latent period, %d, to %d", p.Disorder, p.LatentMaxDays, longestSpanDays)
	}
	return nil
}

type valuesRow struct {
	Confidence       string `yaml:"confidence"`
	Prevalence       string `yaml:"prevalence"`
	Sensitivity      string `yaml:"sensitivity"`
	TestSensitivity  string `yaml:"test_sensitivity"`
	CleanInspections int    `yaml:"clean_inspections"`
	LeastDaysApart   int    `yaml:"least_days_apart"`
	Source           string `yaml:"source"`
}

// ReadValues reads what a release must prove from YAML. It refuses unknown fields
// and missing values; the fault names the field.
func ReadValues(file []byte) (Values, error) {
	var row valuesRow
	if err := decodeStrictly("values", file, &row); err != nil {
		return Values{}, err
	}
	read := Values{CleanInspections: row.CleanInspections, LeastDaysApart: row.LeastDaysApart, Source: row.Source}
	for _, share := range []struct {
		field, text string
		into        *decimal.Decimal
	}{
		{"confidence", row.Confidence, &read.Confidence},
		{"prevalence", row.Prevalence, &read.Prevalence},
		{"sensitivity", row.Sensitivity, &read.Sensitivity},
		{"test_sensitivity", row.TestSensitivity, &read.TestSensitivity},
	} {
		value, err := decimal.NewFromString(share.text)
		if err != nil {
			return Values{}, fault.Field(share.field, "must be a share such as 0.95, not %q", share.text)
		}
		*share.into = value
	}
	return read, read.check()
}

// mostInspections bounds a release against a slip of the pen.
const mostInspections = 100

func (v Values) check() error {
	if err := checkConfidence(v.Confidence); err != nil {
		return err
	}
	if err := checkPrevalence(v.Prevalence); err != nil {
		return err
	}
	if err := checkSensitivity("sensitivity", v.Sensitivity); err != nil {
		return err
	}
	if err := checkSensitivity("test_sensitivity", v.TestSensitivity); err != nil {
		return err
	}
	if err := checkCount("clean_inspections", 1, mostInspections, int64(v.CleanInspections)); err != nil {
		return err
	}
	if err := checkCount("least_days_apart", 1, longestSpanDays, int64(v.LeastDaysApart)); err != nil {
		return err
	}
	if v.Source == "" {
		return fault.Field("source", "must be given")
	}
	return nil
}

// decodeStrictly refuses fields that nobody reads: most are misspelt. It refuses a
// second document, which nobody would read either.
func decodeStrictly(what string, file []byte, into any) error {
	decoder := yaml.NewDecoder(bytes.NewReader(file))
	decoder.KnownFields(true)
	if err := decoder.Decode(into); err != nil {
		return fault.Field(what, "not the YAML expected: %s", err)
	}
	if err := decoder.Decode(new(any)); !errors.Is(err, io.EOF) {
		return fault.Field(what, "must be one YAML document")
	}
	return nil
}

// Calendar says when inspections for a release must be.
type Calendar struct {
	// FirstAfterDays is the days from the last day on which the plants were open to
	// infection to the first inspection: before that no new infection can show.
	FirstAfterDays int
	// ApartDays is the least days between two inspections.
	ApartDays int
	// SpanDays is the days from the first to the last inspection, at least the
	// period's own span.
	SpanDays int
	// TotalDays is the days from the last day open to infection to the release.
	TotalDays int
}

// InspectionDays returns the least days for a number of clean inspections, evenly
// apart, that span what the disorder needs from the first to the last. With one
// inspection it is the whole span that must pass before it.
func InspectionDays(period Period, inspections int, values Values) (Calendar, error) {
	if err := checkCount("inspections", 1, mostInspections, int64(inspections)); err != nil {
		return Calendar{}, err
	}
	if err := values.check(); err != nil {
		return Calendar{}, err
	}
	switch period.ReleasedBy {
	case ByNothing:
		return Calendar{}, fault.Field("period", "%s is no infection: a release needs no inspections", period.Disorder).
			With("disorder", period.Disorder)
	case ByInspections, ByTests:
		if err := period.check("period."); err != nil {
			return Calendar{}, err
		}
	default:
		return Calendar{}, fault.Field("period", "must be the latent period of a disorder")
	}
	if inspections == 1 {
		return Calendar{FirstAfterDays: period.SpanDays, TotalDays: period.SpanDays}, nil
	}
	gaps := inspections - 1
	apart := max((period.SpanDays+gaps-1)/gaps, values.LeastDaysApart)
	return Calendar{
		FirstAfterDays: period.LatentMinDays,
		ApartDays:      apart,
		SpanDays:       apart * gaps,
		TotalDays:      period.LatentMinDays + apart*gaps,
	}, nil
}
