package proposal

import (
	"cmp"
	"fmt"
	"math/big"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"velamen/internal/quantity"
	"velamen/services/products"
	"velamen/services/treatment/rules"
)

// The weights of the ranking; see the package comment.
const (
	pointsPerPlace      = 60
	pointsToBuy         = 120
	daysPerRecencyPoint = 2
	marginDays          = 7
	pointsPerMarginDay  = 10
	mostEntryPoints     = 96
	pointsLastOne       = 30
	pointsLastButOne    = 15
	pointsPerWarning    = 5
	band                = 25
)

// point is one reason with its weight.
type point struct {
	points int
	reason string
}

// String writes a reason after what it adds to the sum.
func (p point) String() string {
	if p.points == 0 {
		return "no points: " + p.reason
	}
	return fmt.Sprintf("%d points: %s", p.points, p.reason)
}

// score gives an option its points and reasons: the sum first, then what weighs
// most.
func (o *Option) score(application rules.Application, past past) {
	points := []point{o.placePoints(application.Candidates), o.storePoints()}
	points = append(points, past.rotationPoints(o.Application)...)
	points = append(points, past.marginPoint(o.Application))
	points = append(points, o.entryPoint(), o.allowancePoint(), o.warningPoint())
	points = slices.DeleteFunc(points, func(p point) bool { return p.reason == "" })
	slices.SortStableFunc(points, func(a, b point) int { return cmp.Compare(b.points, a.points) })
	for _, p := range points {
		o.Points += p.points
	}
	o.Reasons = append(o.Reasons, fmt.Sprintf("%d points against it in all; the fewer the better", o.Points))
	for _, p := range points {
		o.Reasons = append(o.Reasons, p.String())
	}
	if len(o.OtherRates) > 0 {
		o.Reasons = append(o.Reasons, fmt.Sprintf("no points: the label's rate is not the same in every house: %s, but %s", o.Rate, strings.Join(o.OtherRates, ", ")))
	}
	o.Reasons = append(o.Reasons, o.costReason())
}

func (o *Option) placePoints(candidates []string) point {
	if len(candidates) == 0 {
		return point{}
	}
	at := o.place
	if at == len(candidates) {
		return point{points: pointsPerPlace * at, reason: "holds none of the step's active ingredients"}
	}
	if len(candidates) == 1 {
		return point{reason: fmt.Sprintf("holds %s, the only active ingredient of the step", activeName(candidates[0]))}
	}
	return point{
		points: pointsPerPlace * at,
		reason: fmt.Sprintf("holds %s, the %s of the step's %d active ingredients", activeName(candidates[at]), ordinal(at), len(candidates)),
	}
}

func activeName(id string) string {
	if active, known := products.ActiveIngredientByID(id); known {
		return active.DisplayName
	}
	return id
}

func (o *Option) storePoints() point {
	switch {
	case o.InStore.IsZero():
		return point{pointsToBuy, "none was ever entered in the store, so it must be bought"}
	case o.Enough && o.Amount.IsZero():
		return point{0, fmt.Sprintf("%s in the store", o.InStore)}
	case o.Enough:
		return point{0, fmt.Sprintf("%s in the store, and %s is enough", o.InStore, o.Amount)}
	case o.Amount.IsZero():
		return point{pointsToBuy, "none that may be used is left in the store, so it must be bought"}
	default:
		return point{pointsToBuy, fmt.Sprintf("only %s that may be used is in the store, and %s is needed, so more must be bought", o.InStore, o.Amount)}
	}
}

func (o *Option) entryPoint() point {
	interval, err := o.RestrictedEntryInterval.In(quantity.Hour)
	if o.RestrictedEntryInterval.IsZero() || err != nil {
		return point{}
	}
	hours := int(min(interval.Amount.Ceil().IntPart(), mostEntryPoints))
	return point{hours, fmt.Sprintf("nobody enters for %s after it", o.RestrictedEntryInterval)}
}

func (o *Option) allowancePoint() point {
	if o.ApplicationsLeft == nil {
		return point{}
	}
	switch left := *o.ApplicationsLeft; left {
	case 1:
		return point{pointsLastOne, "it is the last application that the label allows for now"}
	case 2:
		return point{pointsLastButOne, "it is the last application but one that the label allows for now"}
	default:
		return point{0, fmt.Sprintf("the label allows %d more applications, this one included", left)}
	}
}

func (o *Option) warningPoint() point {
	warnings := len(o.Verdicts)
	switch warnings {
	case 0:
		return point{}
	case 1:
		return point{pointsPerWarning, "the rules have 1 warning"}
	default:
		return point{pointsPerWarning * warnings, fmt.Sprintf("the rules have %d warnings", warnings)}
	}
}

// costReason closes the reasons: cost only decides between products that are as
// good as each other.
func (o *Option) costReason() string {
	if o.cost == nil {
		return "no points: what it costs is not known; where points are close the cheaper goes first"
	}
	return fmt.Sprintf("no points: costs %s %s; where points are close the cheaper goes first", o.Cost.Currency, o.Cost.Amount)
}

// better orders options: by band of points, cost, points, and id.
func better(a, b Option) int {
	return cmp.Or(
		cmp.Compare(a.Points/band, b.Points/band),
		compareCosts(a.cost, b.cost),
		cmp.Compare(a.Points, b.Points),
		strings.Compare(a.Product.ID, b.Product.ID),
	)
}

// cost is an exact amount of money.
type cost struct {
	currency string
	amount   *big.Rat
}

// moneyPlaces are those that an amount of money keeps.
const moneyPlaces = 4

// money returns the cost rounded half away from zero; the zero value for none.
func (c *cost) money() products.Money {
	if c == nil {
		return products.Money{}
	}
	return products.Money{Currency: c.currency, Amount: decimal.NewFromBigRat(c.amount, moneyPlaces)}
}

// compareCosts puts what is not known last and keeps currencies apart.
func compareCosts(a, b *cost) int {
	switch {
	case a == nil && b == nil:
		return 0
	case a == nil:
		return 1
	case b == nil:
		return -1
	case a.currency != b.currency:
		return strings.Compare(a.currency, b.currency)
	default:
		return a.amount.Cmp(b.amount)
	}
}
