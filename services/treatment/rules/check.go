package rules

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/fault"
	"velamen/internal/quantity"
	"velamen/services/products"
)

// Check holds an application to every rule and returns all verdicts: refusals
// first, then warnings, then what passes, each in the order of the rules, so that
// the same facts give the same list. It returns a fault only for facts that are
// no facts: a product with an active ingredient that the catalog does not hold, an
// amount in a unit that its product is not measured in, a history out of order.
// For many applications to the same lots Index the history once.
func Check(a Application, h History) ([]Verdict, error) {
	c, err := newCheck(a, h)
	if err != nil {
		return nil, err
	}
	return c.all()
}

// Check holds an application to every rule, as the function Check does.
func (x *Indexed) Check(a Application) ([]Verdict, error) {
	c, err := newCheckOn(a, x)
	if err != nil {
		return nil, err
	}
	return c.all()
}

func (c *check) all() ([]Verdict, error) {
	c.candidates()
	if err := c.labels(); err != nil {
		return nil, err
	}
	c.masking()
	c.people()
	if err := c.store(); err != nil {
		return nil, err
	}
	if err := c.place(); err != nil {
		return nil, err
	}
	c.rotation()
	c.spacing()
	c.weather()
	return c.sorted(), nil
}

// Refusals returns the verdicts that refuse, in their order.
func Refusals(verdicts []Verdict) []Verdict {
	var refused []Verdict
	for _, v := range verdicts {
		if v.Outcome == Refuse {
			refused = append(refused, v)
		}
	}
	return refused
}

// EarliestPass returns when every rule that refuses would pass by waiting; false
// when none refuses or when waiting does not help with one of them.
func EarliestPass(verdicts []Verdict) (time.Time, bool) {
	var latest time.Time
	for _, v := range verdicts {
		if v.Outcome != Refuse {
			continue
		}
		if v.Earliest.IsZero() {
			return time.Time{}, false
		}
		if v.Earliest.After(latest) {
			latest = v.Earliest
		}
	}
	return latest, !latest.IsZero()
}

// check is one application being held to the rules.
type check struct {
	a       Application
	history *Indexed
	// past is, by position in a.Lots, what the lot was treated with.
	past []*lotPast
	// day is that of the start in the nursery's zone.
	day   string
	lines []*line
	// treatedLots are the positions in a.Lots of the lots of each treatment.
	treatedLots [][]int
	// alike are the lots of each treatment, those that nothing tells apart together.
	alike    [][]alike
	verdicts []Verdict
}

// alike are lots with the same past in the same house.
type alike struct {
	// lot is the position of the first of them.
	lot int
	// count is how many there are.
	count int
}

// together gathers lots that are alike.
func (c *check) together(lots []int) []alike {
	var gathered []alike
	for _, i := range lots {
		k := slices.IndexFunc(gathered, func(of alike) bool {
			return c.past[of.lot] == c.past[i] && c.a.Lots[of.lot].House == c.a.Lots[i].House
		})
		if k < 0 {
			gathered = append(gathered, alike{lot: i})
			k = len(gathered) - 1
		}
		gathered[k].count++
	}
	return gathered
}

// line is one product in one house, with what the rules ask about it all the time.
type line struct {
	Line
	treatment int
	actives   []products.ActiveIngredient
	parts     parts
	direction products.Direction
	listing   products.Listing
	// product, registration and ingredients are the numbers of what it is and holds
	// in the history.
	product, registration int32
	ingredients           []int32
}

func newCheck(a Application, h History) (*check, error) {
	lots := make([]string, len(a.Lots))
	for i, lot := range a.Lots {
		lots[i] = lot.ID
	}
	x, err := index(h, lots)
	if err != nil {
		return nil, err
	}
	return newCheckOn(a, x)
}

func newCheckOn(a Application, x *Indexed) (*check, error) {
	if a.Zone == nil {
		a.Zone = time.UTC
	}
	c := &check{a: a, history: x, day: a.Start.In(a.Zone).Format(time.DateOnly)}
	if a.Class == diagnosisv1.DisorderClass_DISORDER_CLASS_UNSPECIFIED {
		return nil, fault.Field("class", "what the application is against must be given")
	}
	if a.Method == productsv1.Method_METHOD_UNSPECIFIED {
		return nil, fault.Field("method", "how it is applied must be given")
	}
	if unit := a.Conditions.Temperature.Unit; unit != "" && unit != quantity.Celsius {
		return nil, fault.Field("conditions.temperature", "must be in Cel, not in %q", unit)
	}
	if unit := a.Conditions.Humidity.Unit; unit != "" && unit != quantity.Percent {
		return nil, fault.Field("conditions.humidity", "must be in %%, not in %q", unit)
	}
	for _, lot := range a.Lots {
		c.past = append(c.past, x.of(lot.ID))
	}
	for i, treatment := range a.Treatments {
		use := a.Use(treatment)
		c.treatedLots = append(c.treatedLots, c.lotsOf(treatment))
		c.alike = append(c.alike, c.together(c.treatedLots[i]))
		for _, l := range treatment.Lines {
			read, err := readLine(l, i, use)
			if err != nil {
				return nil, err
			}
			read.number(x)
			c.lines = append(c.lines, read)
		}
	}
	return c, nil
}

func readLine(l Line, treatment int, use products.Use) (*line, error) {
	read := &line{Line: l, treatment: treatment}
	read.direction, read.listing = l.Product.DirectionFor(use)
	read.parts.formulation = l.Product.Formulation
	for _, content := range l.Product.Contents {
		active, known := products.ActiveIngredientByID(content.ActiveIngredient)
		if !known {
			return nil, fault.FieldReason(fault.Precondition, fault.LabelFactMissing, l.Field,
				"the active ingredient %q of %s is not in the catalog", content.ActiveIngredient, l.Product.DisplayName).
				With("product", l.Product.ID).With("active_ingredient", content.ActiveIngredient)
		}
		read.actives = append(read.actives, active)
		read.parts.actives = append(read.parts.actives, active.ID)
		if group := GroupOf(active.FRACCode); !slices.Contains(read.parts.groups, group) {
			read.parts.groups = append(read.parts.groups, group)
		}
	}
	return read, nil
}

// number looks up what a line is and holds in a history.
func (l *line) number(x *Indexed) {
	l.product, l.registration = x.find(productKey, l.Product.ID), x.find(registrationKey, l.Product.RegistrationNumber)
	for _, id := range l.parts.actives {
		l.ingredients = append(l.ingredients, x.find(activeKey, id))
	}
}

// lotsOf returns the positions of the lots that a treatment goes on. They stand in the
// order of all lots, so that one walk along those finds them.
func (c *check) lotsOf(t Treatment) []int {
	treated := c.a.treatedBy(t)
	positions := make([]int, 0, len(treated))
	for i, lot := range c.a.Lots {
		if next := len(positions); next < len(treated) && lot.ID == treated[next].ID {
			positions = append(positions, i)
		}
	}
	return positions
}

// treatment returns the treatment of a line.
func (c *check) treatment(l *line) *Treatment { return &c.a.Treatments[l.treatment] }

// add adds a verdict.
func (c *check) add(v Verdict) { c.verdicts = append(c.verdicts, v) }

// sorted returns the verdicts from bad to good, what was said twice once.
func (c *check) sorted() []Verdict {
	type said struct {
		rule, product, message string
		outcome                Outcome
	}
	seen := make(map[said]bool, len(c.verdicts))
	verdicts := slices.DeleteFunc(c.verdicts, func(v Verdict) bool {
		key := said{v.Rule, v.Product, v.Message, v.Outcome}
		twice := seen[key]
		seen[key] = true
		return twice
	})
	slices.SortStableFunc(verdicts, func(x, y Verdict) int { return cmp.Compare(y.Outcome, x.Outcome) })
	return verdicts
}

// about returns a verdict about a product of the mix.
func (l *line) about(rule string, outcome Outcome, format string, args ...any) Verdict {
	return Verdict{
		Rule: rule, Outcome: outcome, Field: l.Field, Product: l.Product.ID,
		Message: fmt.Sprintf(format, args...),
	}
}

// label returns a verdict of a label rule.
func (l *line) label(rule string, outcome Outcome, format string, args ...any) Verdict {
	v := l.about(rule, outcome, format, args...)
	v.Source = fmt.Sprintf("label of %s, registration %s", l.Product.DisplayName, l.Product.RegistrationNumber)
	return v
}

// heldBy reports whether the product of a line was in an application: by its id
// or, when it was entered anew, by its registration number.
func (l *line) heldBy(things []int32) bool {
	for _, thing := range things {
		if thing == l.product || thing == l.registration {
			return true
		}
	}
	return false
}

// sharesActive returns the first active ingredient of a line that was in an
// application too; -1 when none was.
func (l *line) sharesActive(things []int32) int {
	for _, thing := range things {
		if i := slices.Index(l.ingredients, thing); i >= 0 {
			return i
		}
	}
	return -1
}

// same reports whether a product that was applied is the product of a line.
func (l *line) same(past *PastProduct) bool {
	return l.known(past.ID, past.RegistrationNumber)
}

// isProduct reports whether a product is that of a line.
func (l *line) isProduct(p *products.Product) bool {
	return l.known(p.ID, p.RegistrationNumber)
}

// known reports whether an id or a registration number is that of the line's
// product.
func (l *line) known(id, registration string) bool {
	return id == l.Product.ID || (registration != "" && registration == l.Product.RegistrationNumber)
}

// daysAfter returns the same time of day some days later in the nursery's zone.
func (c *check) daysAfter(moment time.Time, days int) time.Time {
	return moment.In(c.a.Zone).AddDate(0, 0, days).UTC()
}

// dayAndTime is how messages give a moment.
const dayAndTime = "2 January 2006 15:04"

func (c *check) local(moment time.Time) string { return moment.In(c.a.Zone).Format(dayAndTime) }

// apart returns the days between an application and one that was made, whichever
// came first; 0 when they overlap or the same day was not over.
func (c *check) apart(past *Past) int {
	from, to := past.End, c.a.Start
	if past.Start.After(c.a.Start) {
		from, to = c.a.Start, past.Start
	}
	days := 0
	if gap := to.Sub(from); gap > 0 {
		// Whole days by the calendar: the clocks may have changed in between.
		days = int(gap / (24 * time.Hour))
		if c.daysAfter(from, days+1).Compare(to) <= 0 {
			days++
		}
		if days > 0 && c.daysAfter(from, days).After(to) {
			days--
		}
	}
	return days
}

// tooClose reports whether an application that was made is less than some days
// away.
func (c *check) tooClose(past *Past, days int) bool {
	if past.Start.After(c.a.Start) {
		return c.daysAfter(c.a.Start, days).After(past.Start)
	}
	return c.daysAfter(past.End, days).After(c.a.Start)
}

// lotText names a lot and how many others the same is true of.
func lotText(id string, others int) string {
	switch others {
	case 0:
		return "lot " + id
	case 1:
		return "lot " + id + " and 1 other"
	default:
		return fmt.Sprintf("lot %s and %d others", id, others)
	}
}

func className(class diagnosisv1.DisorderClass) string {
	return strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(class.String(), "DISORDER_CLASS_")), "_", " ")
}

func methodName(method productsv1.Method) string { return strings.ToLower(products.MethodText(method)) }
