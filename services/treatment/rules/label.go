package rules

import (
	"fmt"
	"slices"
	"strings"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/quantity"
	"velamen/services/products"
	"velamen/services/products/defaultinterval"
)

// labels holds every product to its registration and its label. None of this can
// be overridden.
func (c *check) labels() error {
	for _, l := range c.lines {
		c.registration(l)
		c.labelUse(l)
		if l.listing != products.Listed {
			continue
		}
		c.missingFacts(l)
		if err := c.rate(l); err != nil {
			return err
		}
		if err := c.waterVolume(l); err != nil {
			return err
		}
		c.labelTemperature(l)
		c.openBloom(l)
		c.chemigation(l)
		c.afterwards(l)
	}
	return c.labelHistory()
}

// labelUse refuses a use that the label does not list.
func (c *check) labelUse(l *line) {
	t := c.treatment(l)
	crops := strings.Join(c.a.Use(*t).Crops, ", ")
	if crops == "" {
		crops = "these plants"
	}
	method, class := methodName(c.a.Method), className(c.a.Class)
	name := l.Product.DisplayName
	var v Verdict
	switch l.listing {
	case products.MethodNotListed:
		v = l.label(RuleLabelUse, Refuse, "the label of %s has no direction for a %s", name, method)
		v.Alternatives = l.otherMethods()
	case products.DisorderNotListed:
		v = l.label(RuleLabelUse, Refuse, "the label of %s lists no %s against %s (%s)", name, method, c.a.Disorder, class)
	case products.SiteNotListed:
		v = l.label(RuleLabelUse, Refuse, "the label of %s does not list a %s against %s in a place such as house %s (%s)",
			name, method, c.a.Disorder, t.House, siteName(t.Site))
	case products.CropNotListed:
		v = l.label(RuleLabelUse, Refuse, "the label of %s does not list a %s against %s on all of %s", name, method, c.a.Disorder, crops)
	default:
		v = l.label(RuleLabelUse, Pass, "the label of %s lists a %s against %s on %s", name, method, c.a.Disorder, crops)
		if len(l.direction.Sites) > 0 && t.Site == productsv1.Site_SITE_UNSPECIFIED {
			v.Outcome = Warn
			v.Message = fmt.Sprintf("the label of %s allows it in these places only: %s; what covers house %s is not entered", name, siteNames(l.direction.Sites), t.House)
		}
	}
	v.Numbers = []Number{{Name: "method", Value: method}, {Name: "class of disorder", Value: class}}
	c.add(v)
}

// otherMethods returns the methods that the label has directions for.
func (l *line) otherMethods() []string {
	var methods []string
	for _, direction := range l.Product.Directions {
		if text := "a " + methodName(direction.Method) + ", where the label lists it for this use"; !slices.Contains(methods, text) {
			methods = append(methods, text)
		}
	}
	return methods
}

func siteName(site productsv1.Site) string {
	return strings.ToLower(strings.TrimPrefix(site.String(), "SITE_"))
}

func siteNames(sites []productsv1.Site) string {
	names := make([]string, len(sites))
	for i, site := range sites {
		names[i] = siteName(site)
	}
	return strings.Join(names, ", ")
}

// missingFacts refuses a direction that lacks a fact: what a label may forbid is
// not guessed. A fact that cannot matter to this application is a warning.
func (c *check) missingFacts(l *line) {
	facts := l.direction.Missing()
	const entry = productsv1.LabelFact_LABEL_FACT_RESTRICTED_ENTRY_INTERVAL
	if l.direction.RestrictedEntryInterval.IsZero() && !slices.Contains(facts, entry) {
		// A label is never taken to be silent on restricted entry.
		facts = append(facts, entry)
	}
	for _, fact := range facts {
		name := strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(fact.String(), "LABEL_FACT_"), "_", " "))
		outcome, rest := Refuse, "enter what it says, or that it says nothing"
		switch {
		case fact == entry:
			rest = c.entryDefault(l)
		case c.immaterial(fact, c.treatment(l)):
			outcome, rest = Warn, "it does not matter to this application; enter it before one that it matters to"
		}
		v := l.label(RuleLabelFactMissing, outcome, "%s on the label of %s is not entered: %s", name, l.Product.DisplayName, rest)
		v.Numbers = []Number{{Name: "fact", Value: name}}
		c.add(v)
	}
	if l.direction.RateMin.IsZero() || l.direction.RateMax.IsZero() {
		v := l.label(RuleLabelFactMissing, Refuse, "the rate on the label of %s is not entered: read it on the label and enter it", l.Product.DisplayName)
		v.Numbers = []Number{{Name: "fact", Value: "rate"}}
		c.add(v)
	} else if len(facts) == 0 {
		c.add(l.label(RuleLabelFactMissing, Pass, "every fact of the label direction of %s is entered", l.Product.DisplayName))
	}
}

// immaterial reports whether a fact cannot change what the rules say: whether
// chemigation is allowed when there is none, open bloom when nothing flowers, and
// water per area for a bath, which is made by strength.
func (c *check) immaterial(fact productsv1.LabelFact, t *Treatment) bool {
	switch fact {
	case productsv1.LabelFact_LABEL_FACT_CHEMIGATION:
		return !t.Chemigation
	case productsv1.LabelFact_LABEL_FACT_OPEN_BLOOM:
		return c.a.Conditions.OpenBloom != nil && !*c.a.Conditions.OpenBloom
	case productsv1.LabelFact_LABEL_FACT_WATER_VOLUME:
		return c.a.Method == productsv1.Method_METHOD_BATH
	default:
		return false
	}
}

// entryDefault asks for the label's interval. It names the one that the law puts
// in its place, and never takes it.
func (c *check) entryDefault(l *line) string {
	const ask = "read it on the label and enter it"
	if country(c.a.Jurisdiction) != defaultinterval.Law {
		return ask
	}
	category := strings.TrimPrefix(l.Product.ToxicityCategory.String(), "TOXICITY_CATEGORY_")
	if interval, known := defaultinterval.Of(defaultinterval.Category(category)); known {
		return fmt.Sprintf("%s; for toxicity category %s the law's default is %d h (%s)", ask, category, interval.Hours, interval.Source)
	}
	return fmt.Sprintf("%s; the law's default depends on the toxicity category (%s; %s), which is not entered either",
		ask, defaultinterval.List(), defaultinterval.Source())
}

// labelTemperature holds the air to the label's own limits.
func (c *check) labelTemperature(l *line) {
	least, most := l.direction.TemperatureMin, l.direction.TemperatureMax
	if least.IsZero() && most.IsZero() {
		return
	}
	limits := bounds(least, most)
	measured := c.a.Conditions.Temperature
	if measured.IsZero() {
		v := l.label(RuleLabelTemperature, Warn, "the label of %s allows %s of the air, which is not measured", l.Product.DisplayName, limits)
		v.Numbers = []Number{{Name: "allowed", Value: limits}}
		c.add(v)
		return
	}
	outcome, verb := Pass, "as the label of %s allows: %s"
	if (!least.IsZero() && measured.Amount.LessThan(least.Amount)) || (!most.IsZero() && measured.Amount.GreaterThan(most.Amount)) {
		outcome, verb = Refuse, "outside what the label of %s allows: %s"
	}
	v := l.label(RuleLabelTemperature, outcome, "the air is at %s, "+verb, measured, l.Product.DisplayName, limits)
	v.Numbers = []Number{{Name: "temperature", Value: measured.String()}, {Name: "allowed", Value: limits}}
	c.add(v)
}

// bounds says what lies between two limits, either of which may be absent.
func bounds(least, most quantity.Quantity) string {
	switch {
	case least.IsZero():
		return "at most " + most.String()
	case most.IsZero():
		return "at least " + least.String()
	default:
		return least.String() + " to " + most.String()
	}
}

// openBloom holds plants in open bloom to the label.
func (c *check) openBloom(l *line) {
	if l.direction.OpenBloom == productsv1.Permission_PERMISSION_UNSPECIFIED {
		return
	}
	name, bloom := l.Product.DisplayName, c.a.Conditions.OpenBloom
	var v Verdict
	switch {
	case l.direction.OpenBloom == productsv1.Permission_PERMISSION_ALLOWED:
		v = l.label(RuleLabelOpenBloom, Pass, "the label of %s allows it on plants in open bloom", name)
	case bloom == nil:
		v = l.label(RuleLabelOpenBloom, Warn, "the label of %s forbids it on plants in open bloom; whether these are is not said", name)
	case *bloom:
		v = l.label(RuleLabelOpenBloom, Refuse, "the label of %s forbids it on plants in open bloom", name)
		v.Alternatives = []string{"cut the open flowers off first, or wait until they are over"}
	default:
		v = l.label(RuleLabelOpenBloom, Pass, "no plant is in open bloom, as the label of %s asks", name)
	}
	c.add(v)
}

// chemigation holds an application through the irrigation to the label. A label
// that says nothing about it allows it no more than one that forbids it: labels
// in the US must say which it is (EPA PR Notice 87-1, from memory).
func (c *check) chemigation(l *line) {
	missing := slices.Contains(l.direction.Missing(), productsv1.LabelFact_LABEL_FACT_CHEMIGATION)
	if !c.treatment(l).Chemigation || missing {
		return
	}
	outcome, text := Pass, "the label of %s allows it through the irrigation"
	switch l.direction.Chemigation {
	case productsv1.Permission_PERMISSION_FORBIDDEN:
		outcome, text = Refuse, "the label of %s forbids it through the irrigation"
	case productsv1.Permission_PERMISSION_UNSPECIFIED:
		outcome, text = Refuse, "the label of %s says nothing about the irrigation, which is no permission"
	}
	v := l.label(RuleLabelChemigation, outcome, text, l.Product.DisplayName)
	if outcome == Refuse {
		v.Alternatives = []string{"apply it by hand"}
	}
	c.add(v)
}

// inhalation warns of a label of which nobody entered whether it has the air measured
// before anybody enters: a house that must be aired then stays closed until that is
// entered, and it is better known before than after.
func (c *check) inhalation(l *line) {
	aired := c.a.Method == productsv1.Method_METHOD_SPRAY || l.Product.Respirator != productsv1.LabelAnswer_LABEL_ANSWER_NO
	if !aired || c.treatment(l).Site == productsv1.Site_SITE_OUTDOOR {
		return
	}
	switch l.Product.InhalationLimited {
	case productsv1.LabelAnswer_LABEL_ANSWER_YES:
		c.add(l.label(RuleLabelInhalation, Warn, "the label of %s gives a level to which its vapour in the air must fall: "+
			"the house stays closed until it is measured and recorded", l.Product.DisplayName))
	case productsv1.LabelAnswer_LABEL_ANSWER_NO:
		c.add(l.label(RuleLabelInhalation, Pass, "the label of %s asks for no measuring of the air before anybody enters", l.Product.DisplayName))
	default:
		c.add(l.label(RuleLabelInhalation, Warn, "whether the label of %s gives a level to which its vapour in the air must fall is not entered: "+
			"the house stays closed until that is entered", l.Product.DisplayName))
	}
}

// afterwards states what the label asks for during and after the work.
func (c *check) afterwards(l *line) {
	name := l.Product.DisplayName
	if interval := l.direction.RestrictedEntryInterval; !interval.IsZero() {
		v := l.label(RuleLabelRestrictedTime, Pass, "nobody enters for %s after the end of the work; of several products the longest interval applies", interval)
		v.Numbers = []Number{{Name: "restricted-entry interval", Value: interval.String()}}
		c.add(v)
	}
	c.inhalation(l)
	if l.direction.ProtectiveEquipment != "" {
		c.add(l.label(RuleLabelEquipment, Pass, "the label of %s asks for: %s", name, l.direction.ProtectiveEquipment))
	}
	days := l.direction.SaleIntervalDays
	if days == nil {
		return
	}
	v := l.label(RuleLabelSaleInterval, Pass, "the label of %s lets the plants be sold at once", name)
	if *days > 0 {
		until := c.daysAfter(c.a.Start, int(*days))
		v.Outcome = Warn
		v.Message = fmt.Sprintf("the plants must not be sold or harvested until %s at the earliest: %d days after the end of the work, says the label of %s",
			c.local(until), *days, name)
	}
	v.Numbers = []Number{{Name: "days until sale", Value: fmt.Sprintf("%d d", *days)}}
	c.add(v)
}
