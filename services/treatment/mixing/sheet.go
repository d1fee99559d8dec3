package mixing

import (
	"fmt"
	"math/big"
	"slices"
	"strings"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/fault"
	"velamen/internal/quantity"
)

// Sheet is what a person mixes by.
type Sheet struct {
	// Where, Against and Method are those of the request.
	Where, Against string
	Method         productsv1.Method
	// Area and Plants treated; zero when not known.
	Area   quantity.Quantity
	Plants int64
	// TotalVolume of finished mix, L or gal. With an injector the loads are of
	// stock solution, 1 part in n + 1 of it; otherwise they add up to it.
	TotalVolume quantity.Quantity
	Loads       []Load
	// Steps say what to do in which order.
	Steps []Sentence
	// Notes are concentrations, injector, bath and rinsing.
	Notes []Sentence
	// RestrictedEntryInterval is the longest of the mix, h; zero when a label lacks
	// it.
	RestrictedEntryInterval quantity.Quantity
	// ProtectiveEquipment of the labels, each once.
	ProtectiveEquipment []string
	// Rates are the rate of each product with what its label allows.
	Rates []string
	// Missing are facts that the labels lack, one sentence each.
	Missing []string
	// ToMind are sentences to read before anything is measured.
	ToMind  []Sentence
	Caution string
}

// Load is some fillings that are alike.
type Load struct {
	// Number of the first of them, from 1, and how many there are.
	Number, Times int64
	// Purpose is empty for a tank, else "stock solution", "bath" or "top-up".
	Purpose string
	// Volume of each.
	Volume quantity.Quantity
	// Products in mixing order.
	Products []LoadProduct
	// Area that each treats, rounded up in the last of 6 places; zero when not known.
	Area quantity.Quantity
}

// LoadProduct is a product to measure out for one load.
type LoadProduct struct {
	Product Product
	// Amount is never above what the label allows for the load.
	Amount quantity.Quantity
	// AmountInOtherUnits is the same in the other system of units, rounded down.
	AmountInOtherUnits quantity.Quantity
	// Measuring says how to measure it; empty when no measures were given.
	Measuring []Filling
	// Rounding says what rounding left out, and that it is below the label's lowest
	// rate; empty when it is neither.
	Rounding string
	// BelowLabel is true when it is below the label's lowest rate, by rounding or by
	// the rate that was asked for.
	BelowLabel bool
}

// What loads are for, when they are not tank loads.
const (
	purposeStock = "stock solution"
	purposeBath  = "bath"
	purposeTopUp = "top-up"
)

// Work works out the sheet of a request. It returns a fault that names the field
// and the rule: a rate above the label's highest or that does not go with the
// product, what is missing for a rate, loads that the tank or the measures cannot
// make.
func Work(r Request) (Sheet, error) {
	m, err := r.checked()
	if err != nil {
		return Sheet{}, err
	}
	if m.Bath != nil {
		return m.bathSheet()
	}
	return m.tankSheet()
}

// filling is a group of loads before their products are measured out.
type filling struct {
	times   int64
	volume  quantity.Exact
	purpose string
}

// tankSheet makes the sheet of tank loads, of mix or of stock solution.
func (m mix) tankSheet() (Sheet, error) {
	asked, like, err := m.volume()
	if err != nil {
		return Sheet{}, err
	}
	if !m.TankVolume.IsZero() {
		like = m.TankVolume.Unit
	}
	parts := new(big.Rat).SetInt64(m.InjectorPartsWater + 1) // 1 without an injector
	scale, err := scaleFor(asked.Times(new(big.Rat).Inv(parts)), like)
	if err != nil {
		return Sheet{}, err
	}
	marks, err := m.marks(scale, asked, parts)
	if err != nil {
		return Sheet{}, err
	}
	made := scale.volume(marks).Times(parts)
	if err := m.checkWater(asked); err != nil {
		return Sheet{}, err
	}
	needs, err := m.needs(asked, made)
	if err != nil {
		return Sheet{}, err
	}
	loads, err := m.bestLoads(scale, marks, needs)
	if err != nil {
		return Sheet{}, err
	}
	sheet := m.sheet(made, loads)
	if asked, err = asked.In(scale.unit); err != nil {
		return Sheet{}, err
	}
	if asked.Amount().Cmp(made.Amount()) != 0 {
		sheet.Notes = append(sheet.Notes, Sentence{
			Text: fmt.Sprintf("The volume asked for is %s; it is rounded to a mark of the tank, %s.", shownExactly(asked), sheet.TotalVolume),
		})
	}
	vessel := vesselTank
	if m.InjectorPartsWater > 0 {
		vessel = vesselStockTank
	}
	return m.finished(sheet, needs, made, vessel)
}

// marks returns the volume to fill into the tank, rounded to its marks: up, or
// down where that would pass a label's most water.
func (m mix) marks(s scale, asked quantity.Exact, parts *big.Rat) (int64, error) {
	field := m.waterField()
	stock := asked.Times(new(big.Rat).Inv(parts))
	marks, err := s.marksUp(stock)
	if err != nil {
		return 0, fault.Field(field, "%s", err)
	}
	allowed, err := m.allows(s.volume(marks).Times(parts))
	if err != nil || allowed {
		return marks, err
	}
	if marks, err = s.marksDown(stock); err != nil {
		return 0, fault.Field(field, "%s", err)
	}
	if marks == 0 {
		return 0, fault.Field(field, "%s is too little to read off a tank", shown(stock))
	}
	return marks, nil
}

func (m mix) needs(asked, made quantity.Exact) ([]need, error) {
	needs := make([]need, len(m.lines))
	for i, line := range m.lines {
		var err error
		if needs[i], err = m.need(line, asked, made); err != nil {
			return nil, err
		}
	}
	return needs, nil
}

// bestLoads divides the mix into loads and measures the products of each out. Of
// the ways to divide it, it takes one that keeps every product at the label's lowest
// rate or above, and of those the one that rounding takes least from; full loads
// when that is equal.
func (m mix) bestLoads(s scale, marks int64, needs []need) ([]Load, error) {
	ways := []split{{{1, marks}}}
	if !m.TankVolume.IsZero() {
		var err error
		if ways, err = m.tankSplits(s, marks, needs); err != nil {
			return nil, err
		}
	}
	purpose := ""
	if m.InjectorPartsWater > 0 {
		purpose = purposeStock
	}
	var best measuredLoads
	var firstError error
	for _, way := range ways {
		fillings := make([]filling, len(way))
		for i, part := range way {
			fillings[i] = filling{part.times, s.volume(part.marks), purpose}
		}
		measured, err := m.measure(fillings, s.volume(marks), needs)
		if err != nil {
			if firstError == nil {
				firstError = err
			}
			continue
		}
		if best.loads == nil || measured.better(best) {
			best = measured
		}
	}
	if best.loads == nil {
		return nil, firstError
	}
	return best.loads, nil
}

// tankSplits returns the ways to divide the mix into loads of the tank.
func (m mix) tankSplits(s scale, marks int64, needs []need) ([]split, error) {
	var t tank
	var err error
	if t.volume, err = s.marksDown(m.TankVolume.Exact()); err != nil {
		return nil, fault.Field("tank_volume", "%s", err)
	}
	if !m.TankMinimum.IsZero() {
		if t.minimum, err = s.marksUp(m.TankMinimum.Exact()); err != nil {
			return nil, fault.Field("tank_minimum", "%s", err)
		}
	}
	if t.minimum > t.volume {
		return nil, fault.Field("tank_minimum", "%s is more than the tank of %s holds", m.TankMinimum, m.TankVolume)
	}
	var periods [][]int64
	for _, need := range needs {
		periods = append(periods, markPeriods(need.amount.Times(big.NewRat(1, marks)), m.Measures))
	}
	return t.splits(marks, func(size int64) bool {
		for _, product := range periods {
			if !slices.ContainsFunc(product, func(period int64) bool { return size%period == 0 }) {
				return false
			}
		}
		return true
	})
}

// markPeriods returns, for each measure that fits, every how many marks of the tank
// an amount per mark is a whole number of the measure's graduations.
func markPeriods(perMark quantity.Exact, measures []Measure) []int64 {
	var periods []int64
	for _, measure := range measures {
		graduations, err := perMark.Over(measure.Graduation.Exact())
		if err == nil && graduations.Denom().IsInt64() {
			periods = append(periods, graduations.Denom().Int64())
		}
	}
	return periods
}

// measuredLoads are loads with what rounding did to them.
type measuredLoads struct {
	loads []Load
	// below is true when a product is below its label's lowest rate.
	below bool
	// lost is the share of the products that rounding to measures left out, added up.
	lost *big.Rat
}

func (l measuredLoads) better(than measuredLoads) bool {
	if l.below != than.below {
		return than.below
	}
	return l.lost.Cmp(than.lost) < 0
}

// measure measures out the products of loads, each its share of what all of the
// volume needs.
func (m mix) measure(fillings []filling, total quantity.Exact, needs []need) (measuredLoads, error) {
	result := measuredLoads{lost: new(big.Rat)}
	number := int64(1)
	for _, filling := range fillings {
		share, err := filling.volume.Over(total)
		if err != nil {
			return measuredLoads{}, err
		}
		load := Load{Number: number, Times: filling.times, Purpose: filling.purpose, Volume: filling.volume.Floor(quantity.Places)}
		if !m.Area.IsZero() && m.Bath == nil {
			load.Area = m.Area.Exact().Times(share).Ceil(quantity.Places)
		}
		for _, need := range needs {
			product, lost, err := m.measureProduct(need, share)
			if err != nil {
				return measuredLoads{}, fault.Field("measures", "%s for %s of mix: %s", need.Product.DisplayName, load.Volume, err)
			}
			result.below = result.below || product.BelowLabel
			if len(m.Measures) > 0 {
				result.lost.Add(result.lost, lost.Mul(lost, new(big.Rat).SetInt64(filling.times)))
			}
			load.Products = append(load.Products, product)
		}
		result.loads = append(result.loads, load)
		number += filling.times
	}
	return result, nil
}

// measureProduct measures out a share of what a product needs, and returns the
// share of all of it that is lost.
func (m mix) measureProduct(need need, share *big.Rat) (LoadProduct, *big.Rat, error) {
	amount := need.amount.Times(share)
	portion, err := MeasureOut(amount, m.Measures)
	if err != nil {
		return LoadProduct{}, nil, err
	}
	product := LoadProduct{Product: need.Product, Amount: portion.Amount, Measuring: portion.Fillings}
	if product.AmountInOtherUnits, err = inOtherSystem(portion.Amount); err != nil {
		return LoadProduct{}, nil, err
	}
	lost, err := portion.Lost.Over(need.amount)
	if err != nil {
		return LoadProduct{}, nil, err
	}
	if portion.Lost.Sign() > 0 {
		product.Rounding = rounding(amount, portion)
	}
	if need.least.IsZero() {
		return product, lost, nil
	}
	order, err := portion.Amount.Exact().Compare(need.least.Times(share))
	if err != nil {
		return LoadProduct{}, nil, err
	}
	if order < 0 {
		product.BelowLabel = true
		product.Rounding = strings.TrimSpace(fmt.Sprintf("%s This is below the lowest rate of the label (%s): use a finer measure or a higher rate.",
			product.Rounding, need.RateMin))
	}
	return product, lost, nil
}

// rounding says what rounding down left out.
func rounding(amount quantity.Exact, portion Portion) string {
	same, err := portion.Lost.In(portion.Amount.Unit)
	if err != nil {
		return ""
	}
	full, err := amount.In(portion.Amount.Unit)
	if err != nil {
		return ""
	}
	share, err := portion.Lost.Over(amount)
	if err != nil {
		return ""
	}
	percent := quantity.ExactOf(share.Mul(share, big.NewRat(100, 1)), quantity.Percent)
	return fmt.Sprintf("Rounded down from %s: %s (%s) less.", shownExactly(full), shownExactly(same), percent.Ceil(2))
}

// bathSheet makes the sheet of a bath with its top-ups.
func (m mix) bathSheet() (Sheet, error) {
	plan, err := m.Bath.checked()
	if err != nil {
		return Sheet{}, err
	}
	schedule, err := ScheduleBath(plan, m.Plants)
	if err != nil {
		return Sheet{}, err
	}
	if schedule, err = schedule.toMarks(plan.Volume.Unit); err != nil {
		return Sheet{}, err
	}
	if schedule.Baths+schedule.TopUps > mostLoads {
		return Sheet{}, fault.Field("bath.volume", "%d baths and %d top-ups are more than a sheet lists; take a larger bath", schedule.Baths, schedule.TopUps)
	}
	needs, err := m.needs(schedule.Total, schedule.Total)
	if err != nil {
		return Sheet{}, err
	}
	fillings := []filling{{schedule.Baths, schedule.Fill, purposeBath}}
	if schedule.TopUps > 0 {
		fillings = append(fillings, filling{schedule.TopUps, schedule.TopUp, purposeTopUp})
	}
	measured, err := m.measure(fillings, schedule.Total, needs)
	if err != nil {
		return Sheet{}, err
	}
	sheet := m.sheet(schedule.Total, measured.loads)
	sheet.Notes = schedule.notes(plan)
	return m.finished(sheet, needs, schedule.Total, vesselBath)
}

// toMarks gives volumes in L or gal and rounds the top-up down to what can be read
// off, so that a bath is never overfilled.
func (s BathSchedule) toMarks(like quantity.Unit) (BathSchedule, error) {
	scale, err := scaleFor(s.TopUp, like)
	if err != nil {
		return BathSchedule{}, err
	}
	if s.Fill, err = s.Fill.In(scale.unit); err != nil {
		return BathSchedule{}, err
	}
	if s.TopUp, err = s.TopUp.In(scale.unit); err != nil {
		return BathSchedule{}, err
	}
	marks, err := scale.marksDown(s.TopUp)
	if err != nil {
		return BathSchedule{}, err
	}
	if marks > 0 {
		s.TopUp = scale.volume(marks)
	}
	s.Fill = s.Fill.Floor(quantity.Places).Exact()
	s.TopUp = s.TopUp.Floor(quantity.Places).Exact()
	err = s.addUp()
	return s, err
}

// sheet fills in what does not depend on how the mix is made.
func (m mix) sheet(total quantity.Exact, loads []Load) Sheet {
	sheet := Sheet{
		Where: m.Where, Against: m.Against, Method: m.Method, Area: m.Area, Plants: m.Plants,
		TotalVolume: total.Floor(quantity.Places), Loads: loads, Caution: m.Caution,
		ToMind: m.ToMind,
	}
	longest := quantity.Must("0", quantity.Hour)
	for _, line := range m.lines {
		sheet.Rates = append(sheet.Rates, line.rateText())
		if line.RestrictedEntryInterval.IsZero() {
			sheet.Missing = append(sheet.Missing, fmt.Sprintf("The restricted-entry interval of %s is not entered.", line.Product.DisplayName))
		} else if order, err := longest.Compare(line.RestrictedEntryInterval); err == nil && order < 0 {
			longest = line.RestrictedEntryInterval
		}
		wear := strings.TrimSpace(line.ProtectiveEquipment)
		if wear == "" {
			sheet.Missing = append(sheet.Missing, fmt.Sprintf("The protective equipment of %s is not entered.", line.Product.DisplayName))
		} else if !slices.Contains(sheet.ProtectiveEquipment, wear) {
			sheet.ProtectiveEquipment = append(sheet.ProtectiveEquipment, wear)
		}
	}
	lacks := func(line line) bool { return line.RestrictedEntryInterval.IsZero() }
	if !slices.ContainsFunc(m.lines, lacks) {
		sheet.RestrictedEntryInterval = longest
	}
	return sheet
}

// rateText says at which rate a product is used and what its label allows.
func (l line) rateText() string {
	allowed := fmt.Sprintf("%s to %s", l.RateMin, l.RateMax)
	if l.RateMin.IsZero() {
		allowed = fmt.Sprintf("at most %s", l.RateMax)
	}
	return fmt.Sprintf("%s at %s (the label allows %s)", l.Product.DisplayName, l.Rate, allowed)
}

// finished adds the steps and the notes.
func (m mix) finished(sheet Sheet, needs []need, made quantity.Exact, vessel string) (Sheet, error) {
	products := make([]Product, len(m.lines))
	for i, line := range m.lines {
		products[i] = line.Product
	}
	sheet.Steps = mixingSteps(products, m.orderKnown, vessel)
	if m.Bath != nil {
		sheet.Steps = append(sheet.Steps, topUpSteps(sheet.Loads)...)
	}
	var concentrations []Sentence
	for _, need := range needs {
		notes, err := m.concentration(need, made)
		if err != nil {
			return Sheet{}, err
		}
		concentrations = append(concentrations, notes...)
	}
	for _, need := range needs {
		for _, remark := range need.Remarks {
			concentrations = append(concentrations, Sentence{Text: remark})
		}
	}
	sheet.Notes = append(concentrations, sheet.Notes...)
	sheet.Notes = append(sheet.Notes, partnerNotes(len(products))...)
	sheet.Notes = append(sheet.Notes, m.Remarks...)
	if m.Bath != nil {
		return sheet, nil
	}
	notes, err := m.rinsing()
	sheet.Notes = append(sheet.Notes, notes...)
	return sheet, err
}

// concentration says how strong the finished mix is and, for an injector, the
// stock solution.
func (m mix) concentration(need need, made quantity.Exact) ([]Sentence, error) {
	metric, us := quantity.GramPerLitre, quantity.Unit("oz/100 gal")
	if need.Product.Form == productsv1.ProductForm_PRODUCT_FORM_LIQUID {
		metric, us = quantity.MillilitrePerL, "fl oz/100 gal"
	}
	inWater, err := perVolume(need.amount, made, metric)
	if err != nil {
		return nil, err
	}
	inUS, err := inWater.In(us)
	if err != nil {
		return nil, err
	}
	text := fmt.Sprintf("%s in the finished mix: %s (%s)", need.Product.DisplayName, shown(inWater), shown(inUS))
	if len(need.Product.Contents) == 1 {
		active, err := Convert(inWater, quantity.PartsPerMillion, need.Product, quantity.Quantity{})
		if err == nil {
			text += fmt.Sprintf(", %s of %s", shown(active), need.Product.Contents[0].ActiveIngredient)
		}
	}
	notes := []Sentence{{Text: text + "."}}
	if m.InjectorPartsWater == 0 {
		return notes, nil
	}
	stock, err := Injector{m.InjectorPartsWater}.Stock(inWater)
	if err != nil {
		return nil, err
	}
	return append(notes, Sentence{
		Text: fmt.Sprintf("Injector 1:%d, 1 part of stock solution in %d parts of water: %s in the stock solution takes %s, the final rate times %d. Times %d, as leaflets write it, is %s and leaves the mix %s weaker.",
			m.InjectorPartsWater, m.InjectorPartsWater, need.Product.DisplayName, shown(stock.Rate), m.InjectorPartsWater+1,
			m.InjectorPartsWater, shown(stock.AsWritten), shown(quantity.ExactOf(stock.Shortfall, quantity.Percent))),
	}), nil
}

// perVolume returns how strong an amount in a volume is, in g/L or mL/L.
func perVolume(amount, volume quantity.Exact, unit quantity.Unit) (quantity.Exact, error) {
	rate, err := rateUnit(unit)
	if err != nil {
		return quantity.Exact{}, err
	}
	same, err := amount.In(rate.Amount.Unit)
	if err != nil {
		return quantity.Exact{}, err
	}
	parts, err := volume.Over(rate.Per.Exact())
	if err != nil {
		return quantity.Exact{}, err
	}
	return quantity.ExactOf(parts.Quo(same.Amount(), parts), unit), nil
}

// rinsing says how the tank is rinsed.
func (m mix) rinsing() ([]Sentence, error) {
	advice := Sentence{
		Text:   fmt.Sprintf("Rinse the tank %d times, each time with %d %% of its volume.", rinses, rinseShare),
		Source: "common practice, no source",
	}
	where := Sentence{
		Text:   "Put the rinse water on the treated area, within the label's rate, or as the label directs; never into a drain.",
		Source: "common practice, no source",
	}
	if m.TankVolume.IsZero() {
		return []Sentence{advice, where}, nil
	}
	rinse := m.TankVolume.Exact().Times(big.NewRat(rinseShare, 100))
	advice.Text = fmt.Sprintf("Rinse the tank %d times, each time with %s (%d %% of its volume).", rinses, shown(rinse), rinseShare)
	if m.TankMinimum.IsZero() {
		return []Sentence{advice, where}, nil
	}
	left, err := ResidueShare(m.TankMinimum.Exact(), rinse, rinses)
	if err != nil {
		return nil, err
	}
	percent := quantity.ExactOf(left.Mul(left, big.NewRat(100, 1)), quantity.Percent)
	residue := Sentence{Text: fmt.Sprintf("With the %s that the pump leaves, %s of the mix left in the tank is still there after that.", m.TankMinimum, percent.Ceil(2))}
	return []Sentence{advice, residue, where}, nil
}

// shown gives an amount for reading: cut off where less than a thousandth is lost.
func shown(amount quantity.Exact) string { return orLess(amount, roundedDown(amount)) }

// shownExactly gives an amount with up to 3 places, and more where it is small.
func shownExactly(amount quantity.Exact) string {
	if cut := amount.Floor(3); cut.Positive() {
		return cut.String()
	}
	return orLess(amount, amount.Floor(quantity.Places))
}

// orLess gives what an amount was cut to. What is smaller than the last place is
// never shown as zero.
func orLess(amount quantity.Exact, cut quantity.Quantity) string {
	if cut.Positive() || amount.Sign() <= 0 {
		return cut.String()
	}
	return "less than " + amount.Ceil(quantity.Places).String()
}
