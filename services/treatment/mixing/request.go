package mixing

import (
	"fmt"
	"slices"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/fault"
	"velamen/internal/quantity"
)

// Request is what a mix sheet is worked out from. Faults name its fields as the
// contract's CalculateMixRequest does.
type Request struct {
	// Where it is applied and Against what, as people call them; may be empty.
	Where, Against string
	// Method is how it is applied.
	Method productsv1.Method
	// Products of the mix, 1 to 4.
	Products []Ingredient
	// Area and Plants to treat; zero when not known.
	Area   quantity.Quantity
	Plants int64
	// WaterRate is a volume per area, pot or plant; when it and Volume are zero, the
	// least that all labels ask for.
	WaterRate quantity.Quantity
	// Volume of mix, instead of a water rate.
	Volume quantity.Quantity
	// TankVolume is that of the sprayer or, with an injector, of the stock tank;
	// one load when zero. TankMinimum is the least that its pump draws from.
	TankVolume, TankMinimum quantity.Quantity
	// Measures at hand.
	Measures []Measure
	// InjectorPartsWater is the n of an injector of 1:n; 0 for none.
	InjectorPartsWater int64
	// Bath is how a bath is kept; nil for none.
	Bath *Bath
	// ToMind are sentences that must stand before the amounts: what a rule warns of.
	ToMind []Sentence
	// Remarks are further notes, such as how long the house is to be aired.
	Remarks []Sentence
	// Caution is the line that stands on everything that shows a dose.
	Caution string
}

// Ingredient is a product of a mix with what its label says.
type Ingredient struct {
	Product Product
	// Rate to use; the label's highest when zero.
	Rate quantity.Quantity
	// RateMin and RateMax are the label's lowest and highest rates. Without the
	// highest nothing is worked out; the lowest may be zero.
	RateMin, RateMax quantity.Quantity
	// WaterMin and WaterMax are the label's least and most water, volumes per area,
	// pot or plant; zero when the label has none.
	WaterMin, WaterMax quantity.Quantity
	// RestrictedEntryInterval, h; zero when it is not entered.
	RestrictedEntryInterval quantity.Quantity
	// ProtectiveEquipment as the label says; empty when it is not entered.
	ProtectiveEquipment string
	// Remarks are what else of the label to mind before it is used, one sentence each.
	Remarks []string
}

// mostProducts is how many products a mix has at most.
const mostProducts = 4

// line is a product of the mix with its place in the request.
type line struct {
	Ingredient
	field string
}

// mix is a request that was checked, with its products in mixing order.
type mix struct {
	Request
	lines      []line
	orderKnown bool
}

// checked returns the mix of a request, or a fault that names the field at fault.
func (r Request) checked() (mix, error) {
	if len(r.Products) == 0 || len(r.Products) > mostProducts {
		return mix{}, fault.Field("products", "must be 1 to %d products", mostProducts)
	}
	products := make([]Product, len(r.Products))
	for i, ingredient := range r.Products {
		same := func(p Product) bool { return p.ID == ingredient.Product.ID }
		if slices.ContainsFunc(products[:i], same) {
			return mix{}, fault.Field(fmt.Sprintf("products[%d].product", i), "%s is in the mix already", ingredient.Product.DisplayName)
		}
		products[i] = ingredient.Product
	}
	order, known := Order(products)
	m := mix{Request: r, orderKnown: known}
	for _, i := range order {
		line := line{r.Products[i], fmt.Sprintf("products[%d]", i)}
		if err := line.check(); err != nil {
			return mix{}, err
		}
		if line.Rate.IsZero() {
			line.Rate = line.RateMax
		}
		m.lines = append(m.lines, line)
	}
	if err := r.checkAmounts(); err != nil {
		return mix{}, err
	}
	return m, checkMeasures(r.Measures)
}

func (l line) check() error {
	if SpreadDry(l.Product.Formulation) {
		return fault.Field(l.field+".product", "%s is spread dry and never mixed into water", l.Product.DisplayName)
	}
	if l.RateMax.IsZero() {
		return fault.FieldReason(fault.Precondition, fault.LabelFactMissing, l.field,
			"the highest rate on the label of %s is not entered; enter it first", l.Product.DisplayName).
			With("product", l.Product.ID).With("fact", "rate_max")
	}
	return nil
}

// checkAmounts refuses amounts that cannot be, and those that say the same thing
// twice.
func (r Request) checkAmounts() error {
	for _, part := range []struct {
		field string
		value quantity.Quantity
		like  quantity.Unit
		says  string
	}{
		{"area", r.Area, quantity.SquareMetre, "an area such as 200 m2"},
		{"volume", r.Volume, quantity.Litre, "a volume such as 40 L"},
		{"tank_volume", r.TankVolume, quantity.Litre, "a volume such as 15 L"},
		{"tank_minimum", r.TankMinimum, quantity.Litre, "a volume such as 2 L"},
	} {
		if part.value.IsZero() {
			continue
		}
		if err := above(part.field, part.value, part.like, part.says); err != nil {
			return err
		}
	}
	return r.checkTogether()
}

// checkTogether refuses what does not go together.
func (r Request) checkTogether() error {
	switch {
	case r.Plants < 0:
		return fault.Field("plants", "must not be below zero")
	case r.InjectorPartsWater < 0:
		return fault.Field("injector_parts_water", "must not be below zero")
	case !r.Volume.IsZero() && !r.WaterRate.IsZero():
		return fault.Field("volume", "give either a volume or a water rate, not both")
	case r.Bath != nil && r.Method != productsv1.Method_METHOD_BATH:
		return fault.Field("bath", "only a bath is kept as one; leave it out or apply it as a bath")
	case r.Bath == nil && r.Method == productsv1.Method_METHOD_BATH:
		return fault.Field("bath", "say how the bath is kept: its volume and what one plant carries out of it")
	case r.Bath != nil && (!r.Volume.IsZero() || !r.WaterRate.IsZero() || !r.TankVolume.IsZero() || r.InjectorPartsWater != 0):
		return fault.Field("bath", "a bath has a volume of its own; leave out volume, water rate, tank and injector")
	case !r.TankMinimum.IsZero() && r.TankVolume.IsZero():
		return fault.Field("tank_minimum", "says nothing without the volume of the tank")
	}
	return nil
}

// basis returns what the rates are applied to, for a volume of mix.
func (m mix) basis(water quantity.Exact) Basis {
	if m.Bath != nil {
		return Basis{Water: water}
	}
	b := Basis{Water: water, Plants: m.Plants}
	if !m.Area.IsZero() {
		b.Area = m.Area.Exact()
	}
	return b
}

// volume returns the volume of mix asked for, exactly, and the unit that it was
// thought of in.
func (m mix) volume() (quantity.Exact, quantity.Unit, error) {
	if !m.Volume.IsZero() {
		return m.Volume.Exact(), m.Volume.Unit, nil
	}
	basis := m.basis(quantity.Exact{})
	if !m.WaterRate.IsZero() {
		volume, err := VolumeFor(m.WaterRate, basis)
		if err != nil {
			return quantity.Exact{}, "", fault.Field("water_rate", "%s", err)
		}
		return volume, volume.Unit(), nil
	}
	var most quantity.Exact
	for _, line := range m.lines {
		if line.WaterMin.IsZero() {
			continue
		}
		volume, err := VolumeFor(line.WaterMin, basis)
		if err != nil {
			return quantity.Exact{}, "", fault.Field("water_rate", "is absent, and of the least water on the label of %s: %s", line.Product.DisplayName, err)
		}
		if order, err := volume.Compare(most); most.IsZero() || (err == nil && order > 0) {
			most = volume
		}
	}
	if most.IsZero() {
		return quantity.Exact{}, "", fault.Field("water_rate", "give a water rate or a volume; no label of the mix says the least water it takes")
	}
	return most, most.Unit(), nil
}

// allows reports whether a volume of mix is at most what every label allows.
func (m mix) allows(volume quantity.Exact) (bool, error) {
	for _, line := range m.lines {
		if line.WaterMax.IsZero() {
			continue
		}
		most, err := VolumeFor(line.WaterMax, m.basis(volume))
		if err != nil {
			// A label's water per area says nothing about a mix whose area nobody
			// gave; the rules hold the application to it.
			continue
		}
		order, err := volume.Compare(most)
		if err != nil || order > 0 {
			return false, err
		}
	}
	return true, nil
}

// checkWater holds the volume of mix asked for to the water of every label, where
// what that is per is known. It is the volume before it was rounded to marks of the
// tank, which may be next to a limit.
func (m mix) checkWater(asked quantity.Exact) error {
	for _, line := range m.lines {
		for _, limit := range []struct {
			water quantity.Quantity
			sign  int
			says  string
		}{{line.WaterMin, -1, "less"}, {line.WaterMax, 1, "more"}} {
			if limit.water.IsZero() {
				continue
			}
			volume, err := VolumeFor(limit.water, m.basis(asked))
			if err != nil {
				continue // nobody gave what it is per; the rules hold the application to it
			}
			order, err := asked.Compare(volume)
			if err != nil {
				return err
			}
			if order == limit.sign {
				return fault.Field(m.waterField(), "%s of mix is %s than the label of %s asks for: water of %s, that is %s here",
					shown(asked), limit.says, line.Product.DisplayName, line.waterText(), shown(volume)).
					With("product", line.Product.ID).With("water", line.waterText())
			}
		}
	}
	return nil
}

// waterField is the field of the request that the volume of mix comes from.
func (m mix) waterField() string {
	if m.Volume.IsZero() {
		return "water_rate"
	}
	return "volume"
}

// waterText says what water the label asks for.
func (l line) waterText() string {
	switch {
	case l.WaterMin.IsZero():
		return fmt.Sprintf("at most %s", l.WaterMax)
	case l.WaterMax.IsZero():
		return fmt.Sprintf("at least %s", l.WaterMin)
	default:
		return fmt.Sprintf("%s to %s", l.WaterMin, l.WaterMax)
	}
}

// need is what a product needs for all of the mix.
type need struct {
	line
	// amount to measure out, never above the label's highest rate.
	amount quantity.Exact
	// least that the label asks for; zero when it has no lowest rate.
	least quantity.Exact
}

// need works out a line for the volume of mix that is made. asked is the volume
// before it was rounded to marks of the tank: the rate is held to the label by that
// one, since rounding a volume must not refuse a rate.
func (m mix) need(line line, asked, made quantity.Exact) (need, error) {
	before, after := m.basis(asked), m.basis(made)
	amount, err := m.amount(line, "rate", line.Rate, before)
	if err != nil {
		return need{}, err
	}
	most, err := m.amount(line, "highest rate of the label", line.RateMax, before)
	if err != nil {
		return need{}, err
	}
	over, err := amount.Compare(most)
	if err != nil {
		return need{}, err
	}
	if over > 0 {
		return need{}, fault.FieldReason(fault.Precondition, fault.LabelRateExceeded, line.field+".rate",
			"%s is more than the label of %s allows: at most %s", line.Rate, line.Product.DisplayName, line.RateMax).
			With("product", line.Product.ID).With("rate_max", line.RateMax.String()).With("rate", line.Rate.String())
	}
	n := need{line: line}
	if n.amount, err = AmountFor(line.Rate, line.Product, after); err != nil {
		return need{}, err
	}
	if most, err = AmountFor(line.RateMax, line.Product, after); err != nil {
		return need{}, err
	}
	if over, err = n.amount.Compare(most); err != nil {
		return need{}, err
	}
	if over > 0 {
		n.amount = most
	}
	if !line.RateMin.IsZero() {
		n.least, err = m.amount(line, "lowest rate of the label", line.RateMin, after)
	}
	return n, err
}

// amount is AmountFor with a fault that names the line.
func (m mix) amount(line line, what string, rate quantity.Quantity, basis Basis) (quantity.Exact, error) {
	amount, err := AmountFor(rate, line.Product, basis)
	if err == nil {
		return amount, nil
	}
	if m.Bath != nil {
		return quantity.Exact{}, fault.Field(line.field+".rate", "%s (%s): %s; a bath takes rates in the water: per volume, ppm or %%", what, rate, err)
	}
	return quantity.Exact{}, fault.Field(line.field+".rate", "%s (%s): %s", what, rate, err)
}
