package report

import (
	"cmp"
	"fmt"
	"strings"
	"time"
	"unicode"

	"velamen/internal/quantity"
)

// shape is how a fact is laid out.
type shape int

const (
	ofText shape = iota
	ofList
	ofQuantity
	ofTime
)

// value is a fact of one use or of the nursery, before a kind of report judges it.
type value struct {
	text     string
	items    []string
	quantity quantity.Quantity
	moment   time.Time
	// lacks says which part of the fact is missing, doubt what speaks against it.
	lacks, doubt string
}

// empty reports whether nobody gave the fact.
func (v value) empty() bool {
	return v.text == "" && len(v.items) == 0 && v.quantity.IsZero() && v.moment.IsZero()
}

// fact is something that a report can say: how it is read and where a missing one is
// put right.
type fact struct {
	of   shape
	head bool
	read func(Nursery, Use) value
	fix  mending
	// unsay is where one that is doubtful is put right, where that is elsewhere: what an
	// entry says stands there, whatever is entered later.
	unsay mending
	// meanwhile is what a person does while the fact is missing.
	meanwhile string
}

// facts are looked up by name only; their order reaches no result.
var facts = map[string]fact{
	"nursery-name":    ofNursery(func(n Nursery) string { return n.DisplayName }, onNursery("display_name", "NAME")),
	"nursery-address": ofNursery(func(n Nursery) string { return n.Address }, onNursery("address", "ADDRESS")),
	"operator-id":     ofNursery(func(n Nursery) string { return n.OperatorID }, onNursery("operator_id", "NUMBER")),
	"county":          ofNursery(func(n Nursery) string { return n.County }, onNursery("county", "COUNTY")),
	"jurisdiction":    ofNursery(func(n Nursery) string { return n.Jurisdiction }, onNursery("jurisdiction", "CODE")),

	"house":             words(func(u Use) string { return cmp.Or(u.HouseName, u.House) }, onHouse("display_name", "NAME")),
	"place":             words(func(u Use) string { return u.Place }, onEntry("place", "PLACE")),
	"legal-location":    words(func(u Use) string { return u.LegalLocation }, onHouse("legal_location", "LOCATION")),
	"site-id":           words(func(u Use) string { return u.SiteID }, onHouse("site_number", "NUMBER")),
	"facility-id":       words(func(u Use) string { return u.FacilityID }, onHouse("facility_number", "NUMBER")),
	"setting":           words(func(u Use) string { return u.Setting }, onHouse("covering", "COVERING")).unsaid(onEntry("setting", "SETTING")),
	"method":            words(func(u Use) string { return u.Method }, onApplication("method")),
	"target":            words(func(u Use) string { return u.Target }, onApplication("disorder")),
	"product-name":      words(func(u Use) string { return u.ProductName }, onProduct("display_name")),
	"registration":      words(func(u Use) string { return u.RegistrationNumber }, onProduct("registration_number")),
	"safety-data-sheet": words(func(u Use) string { return u.SafetyDataSheet }, onProduct("safety_data_sheet")),
	"restricted-use":    words(restrictedWord, onProduct("restricted_use")),
	"customer":          words(func(u Use) string { return u.Customer }, onApplication("customer")),
	"bbch":              words(func(u Use) string { return u.BBCH }, onEntry("growth_stage", "STAGE")),
	"applicator":        words(func(u Use) string { return u.Applicator.Name }, onApplicator("display_name", "NAME")),
	"supervisor":        words(func(u Use) string { return u.Supervisor.Name }, onEntry("supervisor", "PERSON")),
	"certified-name":    words(func(u Use) string { return certified(u).Name }, onApplicator("display_name", "NAME")),
	"certified-number":  words(func(u Use) string { return certified(u).Certificate }, onApplicator("certificates", "NUMBER:LAST-DAY:CATEGORY")),
	"uncertified-name":  words(uncertifiedName, onApplicator("display_name", "NAME")),

	"start": {of: ofTime, fix: onEntry("start_time", "TIME"), read: func(_ Nursery, u Use) value { return value{moment: u.Start} }},
	"end":   {of: ofTime, fix: onEntry("end_time", "TIME"), read: end},
	"date":  {fix: onEntry("start_time", "TIME"), read: day},

	"amount":     amount(func(u Use) quantity.Quantity { return u.Amount }, onEntry("product_amount", "AMOUNT")),
	"treated":    {of: ofQuantity, fix: onEntry("area", "AREA"), read: treated},
	"planted":    amount(func(u Use) quantity.Quantity { return u.Planted }, onHouse("planted_area", "AREA")).unsaid(onEntry("planted_area", "AREA")),
	"plants":     amount(func(u Use) quantity.Quantity { return u.Plants }, onEntry("plants", "NUMBER")),
	"mix-volume": amount(func(u Use) quantity.Quantity { return u.MixVolume }, onEntry("mix_volume", "VOLUME")),
	"rei":        {of: ofQuantity, fix: onProduct("restricted_entry_interval"), read: interval, meanwhile: ": keep out until it is known"},
	"dose":       {of: ofQuantity, fix: onEntry("product_amount", "AMOUNT"), read: dose},

	"actives":        {of: ofList, fix: onProduct("contents"), read: activeNames},
	"active-amounts": {of: ofList, fix: onEntry("product_amount", "AMOUNT"), read: activeAmounts},
	"frac":           {of: ofList, fix: onProduct("contents"), read: activeCodes},
	"crops":          {of: ofList, fix: onApplication("lots"), read: cropNames},
	"crop-eppo":      fact{of: ofList, fix: onLot, read: cropCodes}.unsaid(onEntry("crop_codes", `"CROP=CODE"`)),
}

// condition is what a field may hang on.
type condition struct {
	// words finish the sentence "is required when".
	words string
	ask   func(Use) Answer
	// fix is where the answer is entered.
	fix mending
}

var conditions = map[string]condition{
	"restricted-use": {"the use of the product is restricted", func(u Use) Answer {
		if u.RestrictedUse {
			return Yes
		}
		return No
	}, onProduct("restricted_use")},
	"time-limited": {"the authorisation limits the time of the use", func(u Use) Answer { return u.TimeLimited }, onProduct("time_limited")},
	"stage-limited": {"the authorisation limits the growth stage of the use", func(u Use) Answer {
		return u.StageLimited
	}, onProduct("stage_limited")},
	"for-hire": {"a business did the work for another", func(u Use) Answer { return u.ForHire }, onDutySettings("performer", "PERFORMER")},
	"for-hire-uncertified": {"a business did the work for another and the applicator holds no certificate", func(u Use) Answer {
		if u.Applicator.Certificate != "" {
			return No
		}
		return u.ForHire
	}, onDutySettings("performer", "PERFORMER")},
}

func ofNursery(read func(Nursery) string, fix mending) fact {
	return fact{head: true, read: func(n Nursery, _ Use) value { return value{text: clean(read(n))} }, fix: fix}
}

func words(read func(Use) string, fix mending) fact {
	return fact{read: func(_ Nursery, u Use) value { return value{text: clean(read(u))} }, fix: fix}
}

// unsaid returns the fact with another place where a doubtful one is put right.
func (f fact) unsaid(fix mending) fact {
	f.unsay = fix
	return f
}

// mend returns where a problem with the fact is put right. need is the answer on which it
// hangs whether the fact is asked for: when nobody gave it, that is the first to enter.
func (f fact) mend(field Field, problem Problem, need Answer) mending {
	switch {
	case problem == IsMissing && need == Unknown:
		return conditions[field.Need].fix
	case problem == IsDoubtful && f.unsay != nil:
		return f.unsay
	default:
		return f.fix
	}
}

// amount reads a quantity. One that is not above zero is doubtful: nothing was
// applied, or nobody measured it.
func amount(read func(Use) quantity.Quantity, fix mending) fact {
	return fact{of: ofQuantity, fix: fix, read: func(_ Nursery, u Use) value {
		v := value{quantity: read(u)}
		if !v.quantity.IsZero() && !v.quantity.Positive() {
			v.doubt = "the amount is not above zero"
		}
		return v
	}}
}

func restrictedWord(u Use) string {
	if u.RestrictedUse {
		return "yes"
	}
	return "no"
}

// certified returns who answers for the use with a certificate: the applicator, else
// who supervised. Where neither has one, it is the applicator, and the number is
// missing.
func certified(u Use) Person {
	if u.Applicator.Certificate == "" && u.Supervisor.Certificate != "" {
		return u.Supervisor
	}
	return u.Applicator
}

// uncertifiedName returns who applied without a certificate under the supervision of
// another.
func uncertifiedName(u Use) string {
	if u.Applicator.Certificate != "" {
		return ""
	}
	return u.Applicator.Name
}

func end(_ Nursery, u Use) value {
	v := value{moment: u.End}
	if !u.End.IsZero() && !u.Start.IsZero() && !u.Start.Before(u.End) {
		v.doubt = "the end is not after the start"
	}
	return v
}

func day(n Nursery, u Use) value {
	if u.Start.IsZero() {
		return value{}
	}
	return value{text: u.Start.In(n.Zone).Format(time.DateOnly)}
}

func treated(n Nursery, u Use) value {
	v := amount(func(u Use) quantity.Quantity { return u.Treated }, nil).read(n, u)
	if more, err := u.Treated.Compare(u.Planted); err == nil && more > 0 && !u.Planted.IsZero() {
		v.doubt = "more is treated than is planted"
	}
	return v
}

// interval is doubtful below zero only: an interval of 0 h is a label without one.
func interval(_ Nursery, u Use) value {
	v := value{quantity: u.RestrictedEntryInterval}
	switch {
	case v.quantity.IsZero():
	case !quantity.Convertible(v.quantity.Unit, quantity.Hour):
		v.doubt = "the interval is no time"
	case v.quantity.Amount.IsNegative():
		v.doubt = "the interval is below zero"
	}
	return v
}

// dose is the product over what was treated, in kg or L per ha, or per m3 where a
// volume of space was treated. It is missing where either is.
func dose(_ Nursery, u Use) value {
	if u.Amount.IsZero() || u.Treated.IsZero() {
		return value{}
	}
	of, per := quantity.Kilogram, quantity.Hectare
	if quantity.Convertible(u.Amount.Unit, quantity.Litre) {
		of = quantity.Litre
	}
	if quantity.Convertible(u.Treated.Unit, quantity.CubicMetre) {
		per = quantity.CubicMetre
	}
	above, err := u.Amount.Exact().In(of)
	if err != nil {
		return value{lacks: fmt.Sprintf("no dose follows from %s", u.Amount)}
	}
	below, err := u.Treated.Exact().In(per)
	if err != nil || below.Sign() == 0 {
		return value{lacks: fmt.Sprintf("no dose in kg or L follows from %s of %s treated", u.Amount, u.Treated)}
	}
	number := above.Amount()
	number.Quo(number, below.Amount())
	v := value{quantity: quantity.ExactOf(number, of+"/"+per).Round()}
	if !v.quantity.Positive() {
		v.doubt = "the dose is not above zero"
	}
	return v
}

func activeNames(_ Nursery, u Use) value {
	return list(u.Actives, func(a Active) (string, string) { return a.Name, a.Name }, "name of an active ingredient")
}

func activeCodes(_ Nursery, u Use) value {
	return list(u.Actives, func(a Active) (string, string) { return a.Name, a.FRAC }, "FRAC code")
}

func activeAmounts(_ Nursery, u Use) value {
	return list(u.Actives, func(a Active) (string, string) { return a.Name, a.Amount.String() }, "amount of active ingredient")
}

func cropNames(_ Nursery, u Use) value {
	return list(u.Crops, func(c Crop) (string, string) { return c.Name, c.Name }, "name of a plant")
}

func cropCodes(_ Nursery, u Use) value {
	return list(u.Crops, func(c Crop) (string, string) { return c.Name, c.EPPO }, "EPPO code")
}

// list reads one thing of each, in their order, so that the columns of a list stand
// in the same order. What lacks it is named.
func list[T any](of []T, read func(T) (owner, text string), what string) value {
	var v value
	var lacking []string
	for _, one := range of {
		owner, text := read(one)
		if text = clean(text); text == "" {
			text = Missing
			lacking = append(lacking, cmp.Or(clean(owner), "one without a name"))
		}
		v.items = append(v.items, text)
	}
	if len(lacking) > 0 {
		v.lacks = fmt.Sprintf("no %s for %s", what, strings.Join(lacking, ", "))
	}
	return v
}

// clean makes control characters spaces, so that no text draws over a page or breaks
// a row, and a text of nothing but spaces no text.
func clean(text string) string {
	text = strings.ToValidUTF8(text, "\uFFFD")
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, text))
}
