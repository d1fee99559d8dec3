// Package defaultinterval holds the restricted-entry intervals that US law sets for a
// label without one (data/default-intervals.yaml). They are named beside a refusal, to
// the person who has to enter the label's own, and never taken in its place. The
// package is pure.
package defaultinterval

import (
	_ "embed" // the file of the intervals
	"errors"
	"fmt"
	"strconv"
	"strings"
	"sync"

	"velamen/internal/quantity"
	"velamen/internal/rulefile"
)

// Law is the code of the law that sets the intervals.
const Law = "US"

// Category is an acute toxicity category: I, II, III or IV.
type Category string

// The categories of 40 CFR 156.62, the most toxic first.
const (
	CategoryI   Category = "I"
	CategoryII  Category = "II"
	CategoryIII Category = "III"
	CategoryIV  Category = "IV"
)

// Interval is the interval of a category.
type Interval struct {
	// Category it is for.
	Category Category
	// Hours of it.
	Hours int
	// Source is where it stands; it says so where the number is from memory.
	Source string
}

// Dry is the interval of an organophosphate that inhibits cholinesterase, outdoors
// where little rain falls.
type Dry struct {
	Interval
	// RainBelow is the rain of a year below which it goes, in.
	RainBelow quantity.Quantity
}

// Of returns the interval of a category; false for what is none of the four.
func Of(category Category) (Interval, bool) {
	for _, interval := range shipped().categories {
		if interval.Category == category {
			return interval, true
		}
	}
	return Interval{}, false
}

// Source is where the intervals of the four categories stand.
func Source() string { return shipped().categories[0].Source }

// List names the intervals of all categories, "I 48 h, II 24 h …".
func List() string {
	var texts []string
	for _, interval := range shipped().categories {
		texts = append(texts, fmt.Sprintf("%s %d h", interval.Category, interval.Hours))
	}
	return strings.Join(texts, ", ")
}

// DryOutdoors returns the interval of a dry place outdoors. It is for the most toxic
// category only.
func DryOutdoors() Dry { return shipped().dry }

//go:embed data/default-intervals.yaml
var file []byte

// shipped is the file of the binary; a test reads it, so a fault in it is a broken
// build.
var shipped = sync.OnceValue(func() table {
	read, err := parse(file)
	if err != nil {
		panic(err)
	}
	return read
})

type table struct {
	categories []Interval
	dry        Dry
}

type rows struct {
	Law         string `yaml:"law"`
	Source      string `yaml:"source"`
	Date        string `yaml:"date"`
	Categories  []row  `yaml:"categories"`
	DryOutdoors dryRow `yaml:"dry_outdoors"`
}

type row struct {
	Category Category `yaml:"category"`
	Hours    int      `yaml:"hours"`
	Mark     string   `yaml:"mark"`
	Source   string   `yaml:"source"`
}

type dryRow struct {
	row         `yaml:",inline"`
	RainBelowIn int `yaml:"rain_below_in"`
}

// Bounds; more is a typing error.
const (
	mostHours  = 1000
	mostInches = 1200
)

func (r row) interval() Interval {
	return Interval{Category: r.Category, Hours: r.Hours, Source: r.Source}
}

// check holds a row to hours that are not below some.
func (r row) check(least int) error {
	err := rulefile.CheckOrigin(r.Mark, r.Source)
	if err == nil && (r.Hours < least || r.Hours > mostHours) {
		return fmt.Errorf("hours: must be from %d to %d", least, mostHours)
	}
	return err
}

// parse reads default-intervals.yaml. Errors name the file, the row and the field.
func parse(file []byte) (table, error) {
	read, err := read(file)
	if err != nil {
		return table{}, fmt.Errorf("default-intervals.yaml: %w", err)
	}
	return read, nil
}

func read(file []byte) (table, error) {
	var r rows
	if err := rulefile.Decode(file, &r); err != nil {
		return table{}, err
	}
	if r.Law != Law {
		return table{}, fmt.Errorf("law: %q is not %s", r.Law, Law)
	}
	if err := rulefile.CheckHead(r.Source, r.Date); err != nil {
		return table{}, err
	}
	categories, err := r.intervals()
	if err != nil {
		return table{}, err
	}
	dry, err := r.DryOutdoors.read(categories[0])
	if err != nil {
		return table{}, fmt.Errorf("dry_outdoors: %w", err)
	}
	return table{categories: categories, dry: dry}, nil
}

// intervals returns those of the four categories, the most toxic first.
func (r rows) intervals() ([]Interval, error) {
	order := []Category{CategoryI, CategoryII, CategoryIII, CategoryIV}
	var read []Interval
	for i, want := range order {
		if len(r.Categories) != len(order) || r.Categories[i].Category != want {
			return nil, errors.New("categories: must be I, II, III and IV, in this order")
		}
		err := r.Categories[i].check(1)
		if err == nil && i > 0 && r.Categories[i].Hours > r.Categories[i-1].Hours {
			err = errors.New("hours: must not rise as toxicity falls")
		}
		if err != nil {
			return nil, fmt.Errorf("categories row %d (%q): %w", i+1, want, err)
		}
		read = append(read, r.Categories[i].interval())
	}
	return read, nil
}

// read reads the row of a dry place, which is never shorter than the one of its
// category.
func (r dryRow) read(of Interval) (Dry, error) {
	if err := r.check(of.Hours); err != nil {
		return Dry{}, err
	}
	if r.RainBelowIn < 1 || r.RainBelowIn > mostInches {
		return Dry{}, fmt.Errorf("rain_below_in: must be from 1 to %d", mostInches)
	}
	if r.Category != of.Category {
		return Dry{}, fmt.Errorf("category: must be %s", of.Category)
	}
	return Dry{Interval: r.interval(), RainBelow: quantity.Must(strconv.Itoa(r.RainBelowIn), quantity.Inch)}, nil
}
