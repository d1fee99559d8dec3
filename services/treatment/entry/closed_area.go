package entry

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"sync"

	"velamen/internal/quantity"
	"velamen/internal/rulefile"
)

// Extent is how far a closure reaches, the narrowest first.
type Extent int

// The extents.
const (
	// Nowhere is no area at all.
	Nowhere Extent = iota
	// TreatedArea is what was treated.
	TreatedArea
	// WholeSpace is the whole enclosed space.
	WholeSpace
	// WholeSpaceAndAdjoining is that and whatever cannot be sealed off from it.
	WholeSpaceAndAdjoining
)

var extentNames = []string{"none", "treated-area", "whole-space", "whole-space-and-adjoining"}

// Area is what a closure closes.
type Area struct {
	Extent Extent
	// Feet around a treated area that are closed as well, not beyond the enclosure
	// where there is one.
	Feet int
}

// compare returns -1, 0 or 1 as a is narrower than, as wide as or wider than b.
func (a Area) compare(b Area) int {
	return cmp.Or(cmp.Compare(a.Extent, b.Extent), cmp.Compare(a.Feet, b.Feet))
}

// String returns the area in words.
func (a Area) String() string {
	switch {
	case a.Extent == WholeSpaceAndAdjoining:
		return "the whole house and everything that cannot be sealed off from it"
	case a.Extent == WholeSpace:
		return "the whole house"
	case a.Extent == TreatedArea && a.Feet > 0:
		return fmt.Sprintf("the treated area and %d ft around it", a.Feet)
	case a.Extent == TreatedArea:
		return "the treated area"
	}
	return "nothing"
}

// ClosedArea is what an application closes to all but handlers.
type ClosedArea struct {
	// Closed is closed from the start of the application until it is complete, and
	// until the space is aired when Aired is true.
	Closed Area
	Aired  bool
	// Afterwards is the area under the restricted-entry interval from then on.
	Afterwards Area
	// Row is the id of the row of data/closed-areas.yaml that decides Closed, Source
	// its source.
	Row, Source string
	// Missing are the facts that are not entered and for want of which a stricter row
	// was taken.
	Missing []string
}

// ClosedAreaOf returns what an application in a place closes. A fact that is not
// entered takes the strictest row that it leaves possible, field by field. In a place
// of which nobody knows whether it is enclosed the rows of an enclosed space decide.
func ClosedAreaOf(a Application, enclosed Fact) ClosedArea {
	set := closedAreas()
	if enclosed == No {
		return set.decide(set.outdoors, a)
	}
	closed := set.decide(set.enclosed, a)
	if enclosed == Unknown {
		closed.Missing = append(closed.Missing, "whether the place is enclosed")
	}
	return closed
}

// OutdoorZoneOf returns what an outdoor application closes around what is treated,
// until it is complete: the application exclusion zone.
func OutdoorZoneOf(a Application) ClosedArea { return ClosedAreaOf(a, No) }

// areaRow is a row of the table.
type areaRow struct {
	id, source string
	forms      []Form
	droplets   Droplets
	respirator bool
	// above is the height above which it fits; zero where height does not matter.
	above      quantity.Quantity
	otherwise  bool
	closed     Area
	aired      bool
	afterwards Area
}

type areaSet struct {
	dropletForms, heightForms []Form
	enclosed, outdoors        []areaRow
}

var closedAreas = sync.OnceValue(func() *areaSet { return load("closed-areas.yaml", parseClosedAreas) })

// decide takes the first row that fits. Rows before it that may fit, for want of a
// fact, widen what it closes.
func (s *areaSet) decide(rows []areaRow, a Application) ClosedArea {
	var taken ClosedArea
	for _, row := range rows {
		fits, missing := s.fits(row, a)
		if fits == No {
			continue
		}
		if taken.Row == "" || row.closed.compare(taken.Closed) > 0 {
			taken.Row, taken.Source, taken.Closed = row.id, row.source, row.closed
		}
		taken.Aired = taken.Aired || row.aired
		if row.afterwards.compare(taken.Afterwards) > 0 {
			taken.Afterwards = row.afterwards
		}
		if fits == Yes {
			break
		}
		for _, fact := range missing {
			if !contains(taken.Missing, fact) {
				taken.Missing = append(taken.Missing, fact)
			}
		}
	}
	return taken
}

// fits returns whether a row fits an application, and for want of which facts it is
// not known.
func (s *areaSet) fits(row areaRow, a Application) (Fact, []string) {
	if row.otherwise {
		return Yes, nil
	}
	const form = "how it was applied"
	var missing []string
	for _, part := range []struct {
		fits Fact
		fact string
	}{
		{row.fitsForm(a), form},
		{row.fitsDroplets(s.dropletForms, a), "the droplet class of the spray"},
		{row.fitsRespirator(a), "whether a label asks for a respirator"},
		{row.fitsHeight(s.heightForms, a), "the height from which it was applied"},
	} {
		switch part.fits {
		case Yes:
			return Yes, nil
		case Unknown:
			// Droplets and height are asked for once it is known that they matter.
			if !slices.Contains(forms, a.Form) && !row.respirator {
				part.fact = form
			}
			missing = append(missing, part.fact)
		}
	}
	if len(missing) > 0 {
		return Unknown, missing
	}
	return No, nil
}

func (row areaRow) fitsForm(a Application) Fact {
	switch {
	case len(row.forms) == 0:
		return No
	case !slices.Contains(forms, a.Form):
		return Unknown
	}
	return FactOf(slices.Contains(row.forms, a.Form))
}

func (row areaRow) fitsDroplets(of []Form, a Application) Fact {
	switch {
	case row.droplets == "" || (slices.Contains(forms, a.Form) && !slices.Contains(of, a.Form)):
		return No
	case a.Droplets != FinerThanMedium && a.Droplets != MediumOrLarger:
		return Unknown
	case a.Droplets != row.droplets:
		return No
	case a.Form != "" && slices.Contains(of, a.Form):
		return Yes
	}
	return Unknown
}

func (row areaRow) fitsRespirator(a Application) Fact {
	if !row.respirator {
		return No
	}
	return anyProduct(a, func(p Product) Fact { return p.Respirator })
}

func (row areaRow) fitsHeight(of []Form, a Application) Fact {
	switch {
	case row.above.IsZero() || (slices.Contains(forms, a.Form) && !slices.Contains(of, a.Form)):
		return No
	case a.Height.IsZero():
		return Unknown
	}
	above, err := a.Height.Compare(row.above)
	switch {
	case err != nil || a.Height.Amount.IsNegative():
		return Unknown
	case above <= 0:
		return No
	case slices.Contains(of, a.Form):
		return Yes
	}
	return Unknown
}

// anyProduct returns whether something is true of any product of a mix. Of a mix
// without products nothing is known.
func anyProduct(a Application, of func(Product) Fact) Fact {
	found := No
	if len(a.Products) == 0 {
		found = Unknown
	}
	for _, product := range a.Products {
		switch of(product) {
		case Yes:
			return Yes
		case Unknown:
			found = Unknown
		}
	}
	return found
}

type areaRows struct {
	head         `yaml:",inline"`
	DropletForms []Form        `yaml:"droplet_forms"`
	HeightForms  []Form        `yaml:"height_forms"`
	Enclosed     []areaRowData `yaml:"enclosed"`
	Outdoors     []areaRowData `yaml:"outdoors"`
}

type areaRowData struct {
	ID         string   `yaml:"id"`
	Forms      []Form   `yaml:"forms"`
	Droplets   Droplets `yaml:"droplets"`
	Respirator bool     `yaml:"respirator"`
	AboveIn    int      `yaml:"above_in"`
	Otherwise  bool     `yaml:"otherwise"`
	Closed     string   `yaml:"closed"`
	Feet       int      `yaml:"feet"`
	Until      string   `yaml:"until"`
	Afterwards string   `yaml:"afterwards"`
	origin     `yaml:",inline"`
}

// parseClosedAreas reads closed-areas.yaml. Errors name the file, the row and the
// field.
func parseClosedAreas(file []byte) (*areaSet, error) {
	var rows areaRows
	if err := rulefile.Decode(file, &rows); err != nil {
		return nil, fmt.Errorf("closed-areas.yaml: %w", err)
	}
	if err := rows.check(); err != nil {
		return nil, fmt.Errorf("closed-areas.yaml: %w", err)
	}
	set := &areaSet{dropletForms: rows.DropletForms, heightForms: rows.HeightForms}
	err := errors.Join(checkForms("droplet_forms", rows.DropletForms), checkForms("height_forms", rows.HeightForms))
	if err == nil {
		set.enclosed, err = readAreaRows("enclosed", rows.Enclosed)
	}
	if err == nil {
		set.outdoors, err = readAreaRows("outdoors", rows.Outdoors)
	}
	if err != nil {
		return nil, fmt.Errorf("closed-areas.yaml: %w", err)
	}
	return set, nil
}

func checkForms(field string, listed []Form) error {
	for _, form := range listed {
		if !slices.Contains(forms, form) {
			return fmt.Errorf("%s: %q is not a way to apply", field, form)
		}
	}
	return nil
}

func readAreaRows(table string, rows []areaRowData) ([]areaRow, error) {
	var read []areaRow
	seen := map[string]bool{}
	for i, row := range rows {
		one, err := row.read()
		if err == nil && seen[row.ID] {
			err = errors.New("id: is listed twice")
		}
		if err == nil && row.Otherwise != (i == len(rows)-1) {
			err = errors.New("otherwise: must be the last row, and only that")
		}
		if err != nil {
			return nil, fmt.Errorf("%s row %d (%q): %w", table, i+1, row.ID, err)
		}
		seen[row.ID] = true
		read = append(read, one)
	}
	if len(read) == 0 {
		return nil, fmt.Errorf("%s: must have rows", table)
	}
	return read, nil
}

// longestAround is the most feet around a treated area, mostInches the highest
// boundary of a height; more is a typing error.
const (
	longestAround = 5280
	mostInches    = 1200
)

func (row areaRowData) read() (areaRow, error) {
	if err := errors.Join(row.check(), checkForms("forms", row.Forms),
		whole("feet", row.Feet, 0, longestAround), whole("above_in", row.AboveIn, 0, mostInches)); err != nil {
		return areaRow{}, err
	}
	closed, afterwards := slices.Index(extentNames, row.Closed), slices.Index(extentNames, row.Afterwards)
	conditions := len(row.Forms) > 0 || row.Droplets != "" || row.Respirator || row.AboveIn > 0
	switch {
	case row.ID == "":
		return areaRow{}, errors.New("id: must be given")
	case conditions == row.Otherwise:
		return areaRow{}, errors.New("otherwise: goes without any condition, and a row has one or the other")
	case row.Droplets != "" && row.Droplets != FinerThanMedium && row.Droplets != MediumOrLarger:
		return areaRow{}, fmt.Errorf("droplets: %q is not a class", row.Droplets)
	case closed <= int(Nowhere):
		return areaRow{}, fmt.Errorf("closed: %q is not an area", row.Closed)
	case afterwards < 0:
		return areaRow{}, fmt.Errorf("afterwards: %q is not an area", row.Afterwards)
	case row.Feet > 0 && Extent(closed) != TreatedArea:
		return areaRow{}, errors.New("feet: go with treated-area")
	case row.Until != "aired" && row.Until != "complete":
		return areaRow{}, fmt.Errorf("until: %q is not aired or complete", row.Until)
	}
	read := areaRow{
		id: row.ID, source: row.Source, forms: row.Forms, droplets: row.Droplets, respirator: row.Respirator,
		otherwise: row.Otherwise, closed: Area{Extent: Extent(closed), Feet: row.Feet}, aired: row.Until == "aired",
		afterwards: Area{Extent: Extent(afterwards)},
	}
	if row.AboveIn > 0 {
		read.above = quantity.Must(strconv.Itoa(row.AboveIn), quantity.Inch)
	}
	return read, nil
}
