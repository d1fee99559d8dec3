package rules

import (
	"fmt"
	"strings"
	"time"

	identityv1 "velamen/gen/velamen/identity/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/services/identity"
	"velamen/services/products"
)

// What the rules on people rest on, beside what asked.go has. Outside the United States velamen knows no law that
// asks for these with a date, and only says what is not on record.
const (
	sourceCertificate = "the product's registration: restricted use; the certificate"
	sourceOurs        = "design value: outside the United States it is told and nothing is refused"
	sourceEquipment   = "design value: what the label asks for is handed out, on record"
)

// PeopleRules returns the identifiers of the rules on who applies it.
func PeopleRules() []string {
	return []string{RuleCertifiedApplicator, RuleHandlerTraining, RuleHandlerAge, RuleRespiratorFitness, RuleEquipmentIssued}
}

// Handling is chemical in somebody's hands, as far as the rules on people ask.
type Handling struct {
	// Jurisdiction is the nursery's law: an ISO 3166-1 or 3166-2 code.
	Jurisdiction string
	// First and Last day of the work in the nursery's zone, YYYY-MM-DD.
	First, Last string
	// Product is what is applied.
	Product products.Product
}

// AgainstHandler returns what the rules on people say against somebody who would apply
// a product: only what refuses.
func AgainstHandler(person identity.Person, h Handling) []Verdict {
	who := handlerOf(ApplicatorOf(person), h.Jurisdiction, h.First, h.Last)
	l := &line{Line: Line{Product: h.Product}}
	verdicts := []Verdict{who.training(), who.age()}
	if h.Product.RestrictedUse {
		verdicts = append(verdicts, who.certificate(l))
	}
	if asksForRespirator(l) {
		verdicts = append(verdicts, who.respirator(l))
	}
	return Refusals(verdicts)
}

// ApplicatorOf returns a person as the rules look at them.
func ApplicatorOf(person identity.Person) Applicator {
	who := Applicator{ID: person.ID, DisplayName: person.DisplayName, Qualifications: person.Qualifications}
	for _, held := range person.Certificates {
		who.Certificates = append(who.Certificates, Certificate{Category: held.Category, ExpireDate: held.ExpireDate})
	}
	return who
}

// people holds whoever applies it to the certificate, training, age, fitness and
// equipment that the law and the labels ask for on the days of the work.
func (c *check) people() {
	if len(c.lines) == 0 {
		return
	}
	who := handlerOf(c.a.Applicator, c.a.Jurisdiction, c.day, c.lastDay())
	for _, l := range c.lines {
		if l.Product.RestrictedUse {
			c.add(who.certificate(l))
		}
	}
	c.add(who.training())
	c.add(who.age())
	for _, l := range c.lines {
		if asksForRespirator(l) {
			c.add(who.respirator(l))
		}
	}
	for _, l := range c.lines {
		if l.direction.ProtectiveEquipment != "" {
			c.add(who.equipment(l))
			return // the person has it or not, whatever else asks for it
		}
	}
}

// lastDay is the day on which the work ends in the nursery's zone.
func (c *check) lastDay() string {
	if !c.a.End.After(c.a.Start) {
		return c.day
	}
	return c.a.End.Add(-time.Nanosecond).In(c.a.Zone).Format(time.DateOnly)
}

// handler is somebody who handles chemical on some days.
type handler struct {
	Applicator
	// record answers for the qualifications.
	record identity.Person
	name   string
	// strict is true where the law asks for training, age and fitness.
	strict bool
	// first and last day, YYYY-MM-DD; on is how they are written.
	first, last, on string
}

func handlerOf(who Applicator, jurisdiction, first, last string) handler {
	h := handler{
		Applicator: who, record: identity.Person{Qualifications: who.Qualifications}, name: who.DisplayName,
		strict: AsksForTraining(jurisdiction), first: first, last: last, on: first,
	}
	if h.name == "" {
		h.name = "the applicator"
	}
	if last != first {
		h.on = first + " to " + last
	}
	return h
}

// verdict returns one about the person.
func (h handler) verdict(rule string, outcome Outcome, source, format string, args ...any) Verdict {
	return Verdict{
		Rule: rule, Outcome: outcome, Field: h.Field, Source: source, Message: fmt.Sprintf(format, args...),
		Numbers: []Number{{Name: "day", Value: h.on}},
	}
}

// lacking is the outcome, and the source, of what a person lacks: where no law is known
// to ask for it, it is told.
func (h handler) lacking(source string) (Outcome, string) {
	if h.strict {
		return Refuse, source
	}
	return Warn, sourceOurs
}

// since says until when something counted that does no longer.
func (h handler) since(kind identityv1.QualificationKind) string {
	if ended := h.record.Lapse(kind, h.last); ended != "" {
		return "the last one counted until " + ended
	}
	return "none is on record"
}

// certificate holds a restricted-use product to certified applicators.
func (h handler) certificate(l *line) Verdict {
	v := l.about(RuleCertifiedApplicator, Refuse, "%s is for certified applicators only, and %s holds no certificate that is valid on %s",
		l.Product.DisplayName, h.name, h.last)
	v.Source, v.Numbers = sourceCertificate, []Number{{Name: "day", Value: h.last}}
	for _, certificate := range h.Certificates {
		if certificate.ExpireDate >= h.last {
			v.Outcome = Pass
			v.Message = fmt.Sprintf("%s is for certified applicators only; the certificate of %s (%s) is valid until %s",
				l.Product.DisplayName, h.name, certificate.Category, certificate.ExpireDate)
			return v
		}
	}
	v.Alternatives = []string{"someone whose certificate is valid on that day"}
	return v
}

// training holds handlers to their training.
func (h handler) training() Verdict {
	if TrainedHandler(h.record, h.first, h.last) {
		return h.verdict(RuleHandlerTraining, Pass, SourceHandlerTraining, "%s is trained to handle pesticides on %s", h.name, h.on)
	}
	outcome, source := h.lacking(SourceHandlerTraining)
	v := h.verdict(RuleHandlerTraining, outcome, source, "%s has no handler training that counts on %s: %s", h.name, h.on, h.since(identity.HandlerTraining))
	v.Alternatives = []string{"someone whose handler training counts on that day"}
	return v
}

// age holds handlers to full age. An age that is not on record is told everywhere.
func (h handler) age() Verdict {
	switch AgeOf(h.record, h.first) {
	case OfAge:
		return h.verdict(RuleHandlerAge, Pass, SourceHandlerAge, "%s is on record as at least %d on %s", h.name, HandlerAge, h.first)
	case UnderAge:
		outcome, source := h.lacking(SourceHandlerAge)
		v := h.verdict(RuleHandlerAge, outcome, source, "%s is on record as not yet %d on %s", h.name, HandlerAge, h.first)
		v.Alternatives = []string{fmt.Sprintf("someone who is at least %d", HandlerAge)}
		return v
	default:
		_, source := h.lacking(SourceHandlerAge)
		return h.verdict(RuleHandlerAge, Warn, source, "whether %s is at least %d is not on record", h.name, HandlerAge)
	}
}

// asksForRespirator reports whether a label asks for a respirator, or may: nobody
// entered it.
func asksForRespirator(l *line) bool {
	return l.Product.Respirator != productsv1.LabelAnswer_LABEL_ANSWER_NO
}

// respirator holds whoever wears a respirator to the clearance and the fit test.
func (h handler) respirator(l *line) Verdict {
	v := h.verdict(RuleRespiratorFitness, Pass, SourceRespirator, "%s asks for a respirator; %s is cleared and fit-tested for one on %s",
		l.Product.DisplayName, h.name, h.on)
	v.Field, v.Product = l.Field, l.Product.ID
	if l.Product.Respirator == productsv1.LabelAnswer_LABEL_ANSWER_UNSPECIFIED {
		v.Outcome, v.Message = Warn, fmt.Sprintf("whether the label of %s asks for a respirator is not entered", l.Product.DisplayName)
		return v
	}
	var lacks []string
	for _, kind := range RespiratorNeeds() {
		if !h.record.Qualified(kind, h.first, h.last) {
			lacks = append(lacks, fmt.Sprintf("no %s that counts on %s (%s)", identity.KindText(kind), h.on, h.since(kind)))
		}
	}
	if len(lacks) == 0 {
		return v
	}
	v.Outcome, v.Source = h.lacking(SourceRespirator)
	v.Message = fmt.Sprintf("%s asks for a respirator, and %s has %s", l.Product.DisplayName, h.name, strings.Join(lacks, " and "))
	v.Alternatives = []string{"someone who is cleared and fit-tested on that day", "a product whose label asks for no respirator"}
	return v
}

// equipment tells when no protective equipment is on record as handed out.
func (h handler) equipment(l *line) Verdict {
	if h.record.Qualified(identity.EquipmentIssue, h.first, h.last) {
		return h.verdict(RuleEquipmentIssued, Pass, sourceEquipment, "protective equipment of %s is on record", h.name)
	}
	return h.verdict(RuleEquipmentIssued, Warn, sourceEquipment, "no protective equipment is on record as handed out to %s; the label of %s asks for: %s",
		h.name, l.Product.DisplayName, strings.TrimSuffix(l.direction.ProtectiveEquipment, "."))
}
