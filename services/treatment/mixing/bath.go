package mixing

import (
	"fmt"
	"math/big"

	"velamen/internal/fault"
	"velamen/internal/quantity"
)

// What a bath is kept by where the plan does not say.
var (
	// usualTopUpAt is the share that a bath may lose before it is topped up
	// (common practice, no source).
	usualTopUpAt = quantity.Must("10", quantity.Percent)
	// usualDiscardAfter is how long a bath is used (design value, from memory).
	usualDiscardAfter = quantity.Must("24", quantity.Hour)
)

// Bath is how a bath is kept.
type Bath struct {
	// Volume of the bath and what one plant carries out of it.
	Volume, CarryOutPerPlant quantity.Quantity
	// TopUpAt is the share lost at which it is topped up, %; 10 % when zero (common
	// practice, no source).
	TopUpAt quantity.Quantity
	// DiscardAfterPlants discards it after so many plants; 0 for no number.
	DiscardAfterPlants int64
	// DiscardAfter discards it after so long; 24 h when zero (design value, from
	// memory).
	DiscardAfter quantity.Quantity
}

// BathSchedule is what a bath takes for a number of plants.
type BathSchedule struct {
	// Baths made, one after another, each of Fill.
	Baths int64
	Fill  quantity.Exact
	// PlantsUntilTopUp are dipped before the bath is topped up by TopUp, at the
	// strength of the first fill: what plants carry out is mix, not water.
	PlantsUntilTopUp int64
	TopUp            quantity.Exact
	// TopUps of all baths together.
	TopUps int64
	// DiscardAfter is the longest that one bath is used.
	DiscardAfter quantity.Quantity
	// Total is all mix made: the fills and the top-ups.
	Total quantity.Exact
}

// ScheduleBath works out the fills and top-ups of a bath for a number of plants,
// exactly. A bath is topped up after as many plants as leave its loss at or below
// the share to top up at, and as long as there are plants left for it. It returns a
// fault that names the field of the plan at fault.
func ScheduleBath(plan Bath, plants int64) (BathSchedule, error) {
	if plants <= 0 {
		return BathSchedule{}, fault.Field("plants", "say how many plants are dipped")
	}
	plan, err := plan.checked()
	if err != nil {
		return BathSchedule{}, err
	}
	fill := plan.Volume.Exact()
	loss := fill.Times(new(big.Rat).Quo(plan.TopUpAt.Exact().Amount(), big.NewRat(100, 1)))
	times, err := loss.Over(plan.CarryOutPerPlant.Exact())
	if err != nil {
		return BathSchedule{}, err
	}
	until := whole(times)
	if until.Sign() == 0 {
		return BathSchedule{}, fault.Field("bath.carry_out_per_plant",
			"one plant carries out %s, more than %s of %s; take a larger bath", plan.CarryOutPerPlant, plan.TopUpAt, plan.Volume)
	}
	if !until.IsInt64() {
		return BathSchedule{}, fault.Field("bath.carry_out_per_plant", "is too little to count plants by")
	}
	schedule := BathSchedule{
		Baths: 1, Fill: fill, PlantsUntilTopUp: until.Int64(), DiscardAfter: plan.DiscardAfter,
	}
	schedule.TopUp, err = plan.CarryOutPerPlant.Exact().Times(new(big.Rat).SetInt(until)).In(fill.Unit())
	if err != nil {
		return BathSchedule{}, err
	}
	schedule.count(plants, plan.DiscardAfterPlants)
	err = schedule.addUp()
	return schedule, err
}

// count works out how many baths and top-ups the plants take. The last plants
// before a bath is discarded need no top-up after them.
func (s *BathSchedule) count(plants, each int64) {
	last := plants
	if each > 0 {
		s.Baths = (plants + each - 1) / each
		last = plants - (s.Baths-1)*each
		s.TopUps = (s.Baths - 1) * ((each - 1) / s.PlantsUntilTopUp)
	}
	s.TopUps += (last - 1) / s.PlantsUntilTopUp
}

// addUp works out the total.
func (s *BathSchedule) addUp() (err error) {
	fills := s.Fill.Times(new(big.Rat).SetInt64(s.Baths))
	s.Total, err = fills.Add(s.TopUp.Times(new(big.Rat).SetInt64(s.TopUps)))
	return err
}

// checked fills in what is not said and refuses what cannot be.
func (b Bath) checked() (Bath, error) {
	if b.TopUpAt.IsZero() {
		b.TopUpAt = usualTopUpAt
	}
	if b.DiscardAfter.IsZero() {
		b.DiscardAfter = usualDiscardAfter
	}
	for _, part := range []struct {
		field string
		value quantity.Quantity
		like  quantity.Unit
		says  string
	}{
		{"volume", b.Volume, quantity.Litre, "a volume such as 20 L"},
		{"carry_out_per_plant", b.CarryOutPerPlant, quantity.Litre, "a volume such as 10 mL"},
		{"top_up_at", b.TopUpAt, quantity.Percent, "a share in %"},
		{"discard_after", b.DiscardAfter, quantity.Hour, "a time in h"},
	} {
		if !part.value.Positive() || !quantity.Convertible(part.value.Unit, part.like) {
			return Bath{}, fault.Field("bath."+part.field, "must be above zero, %s", part.says)
		}
	}
	if over, err := b.TopUpAt.Compare(quantity.Must("50", quantity.Percent)); err != nil || over > 0 {
		return Bath{}, fault.Field("bath.top_up_at", "must be at most 50 %%: a bath that has lost more does not cover the plants")
	}
	if b.DiscardAfterPlants < 0 {
		return Bath{}, fault.Field("bath.discard_after_plants", "must not be below zero")
	}
	return b, nil
}

// notes says how the bath is kept.
func (s BathSchedule) notes(plan Bath) []Sentence {
	notes := []Sentence{{
		Text: fmt.Sprintf("Reckoned with %s carried out by each plant; measure it. Usual are 5 to 15 mL for a small cutting and 50 to 150 mL for a potted root ball.",
			plan.CarryOutPerPlant),
		Source: "from memory",
	}}
	if s.TopUps > 0 {
		notes = append(notes, Sentence{
			Text: fmt.Sprintf("Top up with %s of mix at the same strength after every %d plants; never top up with water or with neat product.",
				shown(s.TopUp), s.PlantsUntilTopUp),
			Source: "a plant carries out mix, so that the strength stays; from memory",
		})
	}
	discard := fmt.Sprintf("Discard the bath after %s", s.DiscardAfter)
	if plan.DiscardAfterPlants > 0 {
		discard = fmt.Sprintf("Discard the bath after %d plants or %s", plan.DiscardAfterPlants, s.DiscardAfter)
	}
	notes = append(notes,
		Sentence{Text: discard + ", whichever comes first, or as soon as it is visibly dirty.", Source: "design value, from memory"},
		Sentence{Text: "Never use a bath again for plants with a pathogen of another class.", Source: "from memory"},
		Sentence{Text: "Discard what is left of a bath as the label directs, never into a drain."},
	)
	if s.Baths > 1 || s.TopUps > 0 {
		notes = append(notes, Sentence{Text: fmt.Sprintf("In all: bath made %s, topped up %s.", times(s.Baths), times(s.TopUps))})
	}
	return notes
}

// times counts in words where a sheet is read aloud.
func times(count int64) string {
	if count == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", count)
}
