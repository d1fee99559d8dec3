package products

import (
	"fmt"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/quantity"
	"velamen/services/diagnosis"
)

func (r *reading) direction(path string, product Product, message *productsv1.LabelDirection) Direction {
	direction := Direction{
		Method: message.GetMethod(), Classes: message.GetDisorderClasses(), Disorders: message.GetDisorders(),
		Sites: message.GetSites(), MinIntervalDays: message.GetMinIntervalDays(),
		MaxPerCropCycle: message.GetMaxApplicationsPerCropCycle(), MaxPerYear: message.GetMaxApplicationsPerYear(),
		MaxConsecutive: message.GetMaxConsecutiveApplications(), SaleIntervalDays: message.SaleIntervalDays,
		OpenBloom: message.GetOpenBloom(), Chemigation: message.GetChemigation(),
		ProtectiveEquipment: message.GetProtectiveEquipment(), SilentOn: message.GetSilentOn(),
	}
	r.text(path+".protective_equipment", direction.ProtectiveEquipment)
	r.classes(path+".disorder_classes", product.Contents, direction.Classes)
	r.disorders(path+".disorders", direction)
	direction.Crops = r.crops(path+".crops", message.GetCrops())
	r.rates(path, product, &direction, message)
	r.water(path, &direction, message)
	r.temperatures(path, &direction, message)
	direction.RestrictedEntryInterval = r.entryInterval(path+".restricted_entry_interval", message.GetRestrictedEntryInterval())
	direction.ActiveLimits = r.activeLimits(path+".active_limits", product.Contents, message.GetActiveLimits())
	r.silence(path+".silent_on", direction)
	return direction
}

// classes refuses a class that none of the active ingredients works on.
func (r *reading) classes(path string, contents []Content, classes []diagnosisv1.DisorderClass) {
	for i, class := range classes {
		if anyWorksOn(contents, class) {
			continue
		}
		r.add(fault.Field(fmt.Sprintf("%s[%d]", path, i),
			"none of its active ingredients (%s) works on a disorder of the class %s", describe(contents), word(classText(class))).
			With("active_ingredients", describe(contents)).With("class", classText(class)))
	}
}

func anyWorksOn(contents []Content, class diagnosisv1.DisorderClass) bool {
	return slices.ContainsFunc(contents, func(content Content) bool {
		active, known := ActiveIngredientByID(content.ActiveIngredient)
		return known && slices.Contains(active.WorksOn, class)
	})
}

func describe(contents []Content) string {
	var names []string
	for _, content := range contents {
		if active, known := ActiveIngredientByID(content.ActiveIngredient); known {
			names = append(names, active.described())
		}
	}
	return strings.Join(names, "; ")
}

// disorders refuses one that nobody knows, or that is of none of the classes.
func (r *reading) disorders(path string, direction Direction) {
	for i, id := range direction.Disorders {
		at := fmt.Sprintf("%s[%d]", path, i)
		disorder, known := diagnosis.DisorderByID(id)
		if !known {
			r.add(fault.Field(at, "there is no disorder %q; velamen diagnosis disorders lists them", id).With("disorder", id))
			continue
		}
		if !slices.Contains(direction.Classes, disorder.Class) {
			r.add(fault.Field(at, "%s is of the class %s, which disorder_classes does not name", id, word(classText(disorder.Class))).
				With("disorder", id).With("class", classText(disorder.Class)))
		}
	}
}

func (r *reading) crops(path string, names []string) []string {
	var crops []string
	for i, name := range names {
		at := fmt.Sprintf("%s[%d]", path, i)
		crop, err := normalCrop(name)
		if err != nil {
			r.add(fault.Field(at, "%s", err).With("crop", name))
			continue
		}
		if slices.Contains(crops, crop) {
			r.add(fault.Field(at, "%s is listed twice", crop).With("crop", crop))
			continue
		}
		crops = append(crops, crop)
	}
	return crops
}

func (r *reading) rates(path string, product Product, direction *Direction, message *productsv1.LabelDirection) {
	least, leastOK := r.rate(path+".rate_min", product, direction.Method, message.GetRateMin())
	most, mostOK := r.rate(path+".rate_max", product, direction.Method, message.GetRateMax())
	direction.RateMin, direction.RateMax = least, most
	if leastOK && mostOK {
		r.inOrder(path+".rate_max", "rate_min", least, most)
	}
}

func (r *reading) rate(field string, product Product, method productsv1.Method, message *typev1.Quantity) (quantity.Quantity, bool) {
	if message == nil {
		r.refuse(field, "must be given: no product is applied without a rate")
		return quantity.Quantity{}, false
	}
	q, ok := r.quantity(field, message)
	if !ok {
		return q, false
	}
	if err := checkRate(product.Form, len(product.Contents), method, q); err != nil {
		r.add(fault.Field(field, "%s", err).With("value", q.String()).With("unit", string(q.Unit)))
		return quantity.Quantity{}, false
	}
	return q, true
}

// inOrder refuses a highest value in another unit than the lowest, or below it.
func (r *reading) inOrder(field, lowest string, least, most quantity.Quantity) {
	if most.Unit != least.Unit {
		r.add(fault.Field(field, "must be in the unit of %s, %s, not in %q", lowest, least.Unit, most.Unit).
			With("unit", string(most.Unit)).With("wanted", string(least.Unit)))
		return
	}
	if most.Amount.LessThan(least.Amount) {
		r.add(fault.Field(field, "must not be below %s, %s", lowest, least).
			With(lowest, least.String()).With("value", most.String()))
	}
}

func (r *reading) water(path string, direction *Direction, message *productsv1.LabelDirection) {
	least, leastOK := r.waterVolume(path+".water_volume_min", message.GetWaterVolumeMin())
	most, mostOK := r.waterVolume(path+".water_volume_max", message.GetWaterVolumeMax())
	direction.WaterVolumeMin, direction.WaterVolumeMax = least, most
	if leastOK && mostOK {
		r.inOrder(path+".water_volume_max", "water_volume_min", least, most)
	}
}

func (r *reading) waterVolume(field string, message *typev1.Quantity) (quantity.Quantity, bool) {
	q, ok := r.quantity(field, message)
	if !ok {
		return q, false
	}
	if err := checkWaterVolume(q); err != nil {
		r.add(fault.Field(field, "%s", err).With("value", q.String()).With("unit", string(q.Unit)))
		return quantity.Quantity{}, false
	}
	return q, true
}

// Temperatures of the air in which plants live, Cel. Label temperatures lie well
// within; one outside was mostly read in degrees Fahrenheit.
var coldest, hottest = decimal.NewFromInt(-30), decimal.NewFromInt(55)

func (r *reading) temperature(field string, message *typev1.Quantity) (q quantity.Quantity, ok bool) {
	if q, ok = r.in(field, quantity.Celsius, message); !ok {
		return q, false
	}
	if q.Amount.LessThan(coldest) || q.Amount.GreaterThan(hottest) {
		r.add(fault.Field(field, "%s is no temperature of the air about plants; does the label give it in degrees Fahrenheit? Enter it in Cel", q).
			With("value", q.String()))
		return q, false
	}
	return q, true
}

func (r *reading) temperatures(path string, direction *Direction, message *productsv1.LabelDirection) {
	least, leastOK := r.temperature(path+".temperature_min", message.GetTemperatureMin())
	most, mostOK := r.temperature(path+".temperature_max", message.GetTemperatureMax())
	direction.TemperatureMin, direction.TemperatureMax = least, most
	if leastOK && mostOK {
		r.inOrder(path+".temperature_max", "temperature_min", least, most)
	}
}

// longestEntryInterval is that of a year, h. The longest intervals of labels are
// some weeks; from memory.
var longestEntryInterval = decimal.NewFromInt(365 * 24)

// entryInterval leaves an absent interval zero: the label fact is missing, which
// is not the same as an interval of 0 h.
func (r *reading) entryInterval(field string, message *typev1.Quantity) quantity.Quantity {
	interval, ok := r.in(field, quantity.Hour, message)
	switch {
	case !ok:
	case interval.Amount.IsNegative():
		r.add(fault.Field(field, "must not be below 0 h").With("value", interval.String()))
	case interval.Amount.GreaterThan(longestEntryInterval):
		r.add(fault.Field(field, "%s is more than a year; does the label give it in another unit? Enter it in h", interval).With("value", interval.String()))
	}
	return interval
}

func (r *reading) activeLimits(path string, contents []Content, messages []*productsv1.ActiveLimit) []ActiveLimit {
	var limits []ActiveLimit
	for i, message := range messages {
		at := fmt.Sprintf("%s[%d]", path, i)
		limit := ActiveLimit{ActiveIngredient: r.active(at+".active_ingredient", message.GetActiveIngredient())}
		same := func(other ActiveLimit) bool { return other.ActiveIngredient == limit.ActiveIngredient }
		inProduct := func(content Content) bool { return content.ActiveIngredient == limit.ActiveIngredient }
		switch {
		case limit.ActiveIngredient == "":
		case slices.ContainsFunc(limits, same):
			r.add(fault.Field(at+".active_ingredient", "%s is limited twice", limit.ActiveIngredient).
				With("active_ingredient", limit.ActiveIngredient))
		case !slices.ContainsFunc(contents, inProduct):
			r.add(fault.Field(at+".active_ingredient", "%s is not in the product", limit.ActiveIngredient).
				With("active_ingredient", limit.ActiveIngredient))
		}
		limit.MostPerYear = r.mostPerYear(at+".most_per_year", message.GetMostPerYear())
		limits = append(limits, limit)
	}
	return limits
}

func (r *reading) mostPerYear(field string, message *typev1.Quantity) quantity.Quantity {
	if message == nil {
		r.refuse(field, "must be given: a mass per area, for example kg/ha or lb/acre")
		return quantity.Quantity{}
	}
	most, ok := r.quantity(field, message)
	switch {
	case !ok:
	case !quantity.Convertible(most.Unit, quantity.GramPerM2):
		r.add(fault.Field(field, "must be a mass per area, for example kg/ha or lb/acre, not in %q", most.Unit).
			With("unit", string(most.Unit)))
	case !most.Positive():
		r.add(fault.Field(field, "must be above 0 %s", most.Unit).With("value", most.String()))
	}
	return most
}

// silence refuses a label that is said to be silent on what is entered, or on the
// restricted-entry interval, on which no label is.
func (r *reading) silence(path string, direction Direction) {
	entered := direction.entered()
	for i, fact := range direction.SilentOn {
		at := fmt.Sprintf("%s[%d]", path, i)
		switch {
		case fact == productsv1.LabelFact_LABEL_FACT_RESTRICTED_ENTRY_INTERVAL:
			r.add(fault.Field(at, "no label is taken to be silent on the restricted-entry interval: enter what it says").
				With("fact", factText(fact)))
		case entered[fact]:
			r.add(fault.Field(at, "the direction gives %s, so the label is not silent on it", word(factText(fact))).
				With("fact", factText(fact)))
		}
	}
}

// ambiguous refuses a direction that covers a use which an earlier one covers and
// is just as specific: the rate and the restricted-entry interval would depend on
// which of the two is read.
func (r *reading) ambiguous(path string, earlier []Direction, direction Direction) {
	for i, class := range direction.Classes {
		for j, other := range earlier {
			if !direction.ambiguousWith(other, class) {
				continue
			}
			r.add(fault.Field(fmt.Sprintf("%s.disorder_classes[%d]", path, i),
				"directions[%d] is for %s against a disorder of the class %s too, on crops and sites of both; give one direction for both, or crops, sites or disorders that tell them apart",
				j, word(MethodText(direction.Method)), word(classText(class))).
				With("method", MethodText(direction.Method)).With("class", classText(class)))
		}
	}
}

func (d Direction) ambiguousWith(other Direction, class diagnosisv1.DisorderClass) bool {
	if d.Method != other.Method || !slices.Contains(other.Classes, class) {
		return false
	}
	// One that names the disorder goes before one that does not.
	if (len(d.Disorders) > 0) != (len(other.Disorders) > 0) {
		return false
	}
	if len(d.Disorders) > 0 && !shareDisorder(d.Disorders, other.Disorders, class) {
		return false
	}
	return overlap(d.Sites, other.Sites) && cropsOverlap(d.Crops, other.Crops)
}

func shareDisorder(a, b []string, class diagnosisv1.DisorderClass) bool {
	return slices.ContainsFunc(a, func(id string) bool {
		disorder, known := diagnosis.DisorderByID(id)
		return known && disorder.Class == class && slices.Contains(b, id)
	})
}

// overlap reports whether two lists, of which an empty one means everything, have
// something in common.
func overlap[E comparable](a, b []E) bool {
	return len(a) == 0 || len(b) == 0 || slices.ContainsFunc(a, func(e E) bool { return slices.Contains(b, e) })
}
