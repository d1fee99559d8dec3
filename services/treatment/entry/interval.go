package entry

import (
	"errors"
	"fmt"
	"math/big"
	"strings"
	"time"

	"velamen/internal/jurisdiction"
	"velamen/internal/quantity"
	"velamen/services/products/defaultinterval"
)

// Category is an acute toxicity category: I, II, III or IV.
type Category = defaultinterval.Category

// The categories of 40 CFR 156.62, the most toxic first.
const (
	CategoryI   = defaultinterval.CategoryI
	CategoryII  = defaultinterval.CategoryII
	CategoryIII = defaultinterval.CategoryIII
	CategoryIV  = defaultinterval.CategoryIV
)

// Interval is how long the area of an application stays closed after its end.
type Interval struct {
	// Known is false while the label's interval of any product is missing: then nobody
	// knows when it is over.
	Known bool
	// Length is the longest of the mix that is entered. It is not the whole interval
	// while Known is false.
	Length time.Duration
	// Of is the product with the longest.
	Of string
	// Missing are the facts that are not entered.
	Missing []string
	// Why is a sentence for each of them. It names what the law would put in the place
	// of an interval, which is never taken silently.
	Why []string
	// Source of taking the longest.
	Source string
}

// sourceLongest is why the longest interval of a mix applies.
const sourceLongest = "40 CFR 170.407, the same as WAC 16-233-116"

// IntervalOf returns the restricted-entry interval of an application: the longest of
// its labels.
func (n Nursery) IntervalOf(a Application) Interval {
	interval := Interval{Known: len(a.Products) > 0, Source: sourceLongest}
	if len(a.Products) == 0 {
		interval.Missing = append(interval.Missing, "which products were applied")
		interval.Why = append(interval.Why, "Which products were applied is not entered, so nobody knows the restricted-entry interval: enter them.")
	}
	for _, product := range a.Products {
		length, err := lengthOf(product.Interval)
		if err != nil {
			interval.Known = false
			interval.Missing = append(interval.Missing, "the restricted-entry interval of "+product.Name)
			interval.Why = append(interval.Why, n.askFor(product, a))
			continue
		}
		if interval.Of == "" || length > interval.Length {
			interval.Length, interval.Of = length, product.Name
		}
	}
	return interval
}

// EndFrom returns when the interval is over for an application that ended at a
// moment. It counts hours that pass, whatever the clocks do. It returns false while
// the interval or the end is not known.
func (i Interval) EndFrom(end time.Time) (time.Time, bool) {
	if !i.Known || end.IsZero() {
		return time.Time{}, false
	}
	return end.Add(i.Length), true
}

// askFor is the sentence for a product without an interval.
func (n Nursery) askFor(product Product, a Application) string {
	text := fmt.Sprintf("The restricted-entry interval of %s is not entered: read it on the label and enter it.", product.Name)
	house, _ := n.house(a.House)
	for _, law := range jurisdiction.Laws(n.Jurisdiction) {
		if law == federal {
			return text + " " + DefaultInterval(product, house.Enclosed, n.Rain).String()
		}
	}
	return text
}

// lengthOf returns how long an interval is, rounded up to a whole nanosecond: an
// interval is never shortened. It returns an error for what is no time from 0 to
// 3660 d.
func lengthOf(interval quantity.Quantity) (time.Duration, error) {
	seconds, err := interval.Exact().In(quantity.Second)
	if err != nil || seconds.Sign() < 0 {
		return 0, errors.New("is not a time")
	}
	nanoseconds := seconds.Times(big.NewRat(int64(time.Second), 1)).Ceil(0).Amount
	const most = mostDays * 24 * time.Hour
	if !nanoseconds.BigInt().IsInt64() || time.Duration(nanoseconds.IntPart()) > most {
		return 0, fmt.Errorf("is more than %d d", mostDays)
	}
	return time.Duration(nanoseconds.IntPart()), nil
}

// Default is the interval that the law sets for a label without one.
type Default struct {
	// Hours of it. Where the category is not entered they are those of the most toxic.
	Hours int
	// Category it is for; empty when it is not entered.
	Category Category
	// Missing are the facts that are not entered and for want of which the longer was
	// taken.
	Missing []string
	Source  string
}

// String says what the law would put in the place of a missing interval.
func (d Default) String() string {
	of := "for toxicity category " + string(d.Category)
	if d.Category == "" {
		of = "which depends on the toxicity category"
	}
	text := fmt.Sprintf("The law's default, %s, is %d h (%s)", of, d.Hours, d.Source)
	if len(d.Missing) > 0 {
		text += "; the longest is named because it is not entered " + strings.Join(d.Missing, " and ")
	}
	return text + ". It is not taken in the label's place."
}

// DefaultInterval returns the interval that federal law sets for a product without
// one (package defaultinterval). Enclosed is whether it is applied in an enclosed
// space, rain what falls in a year outdoors. It is for naming beside a refusal.
func DefaultInterval(product Product, enclosed Fact, rain quantity.Quantity) Default {
	dryPlace := defaultinterval.DryOutdoors()
	interval, known := defaultinterval.Of(product.Category)
	found := Default{Hours: interval.Hours, Category: product.Category, Source: interval.Source}
	if !known {
		interval, _ = defaultinterval.Of(dryPlace.Category)
		found = Default{Hours: interval.Hours, Source: interval.Source, Missing: []string{"which category it is"}}
	}
	if interval.Category != dryPlace.Category || enclosed == Yes || product.Organophosphate == No {
		return found
	}
	dry := Unknown
	if compared, err := rain.Compare(dryPlace.RainBelow); err == nil && !rain.IsZero() {
		dry = FactOf(compared < 0)
	}
	if dry == No {
		return found
	}
	found.Hours, found.Source = dryPlace.Hours, dryPlace.Source
	if enclosed == Unknown {
		found.Missing = append(found.Missing, "whether the place is enclosed")
	}
	if product.Organophosphate == Unknown {
		found.Missing = append(found.Missing, "whether it is an organophosphate that inhibits cholinesterase")
	}
	if dry == Unknown {
		found.Missing = append(found.Missing, "how much rain falls in a year")
	}
	return found
}
