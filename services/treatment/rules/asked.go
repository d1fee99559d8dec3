package rules

import (
	identityv1 "velamen/gen/velamen/identity/v1"
	"velamen/services/identity"
)

// What the law asks of people who handle pesticide, or work where it was applied. It
// stands here once: whoever applies, goes into a house or is confirmed to have worked in
// one is held to the same.
const (
	SourceHandlerTraining = "40 CFR 170.501: handlers are trained every 12 months; from memory"
	SourceWorkerTraining  = "40 CFR 170.401, from memory"
	SourceHandlerAge      = "40 CFR 170.309(c), from memory, and WAC 16-233-021(3): handlers are at least 18"
	SourceRespirator      = "40 CFR 170.507: medical clearance and a fit test every year before a respirator is worn; from memory"
)

// HandlerAge is from how many years on people handle pesticides (SourceHandlerAge).
const HandlerAge = 18

// WorkerTrainingDays is for how many days after an application, or after its interval of
// restricted entry, whoever works in the house must be trained (SourceWorkerTraining).
const WorkerTrainingDays = 30

// AsksForTraining reports whether a law, an ISO 3166-1 or 3166-2 code, is known to ask
// for the training of handlers and workers, and for the age and fitness of handlers:
// that of the United States. Of no other is it known.
func AsksForTraining(jurisdiction string) bool { return country(jurisdiction) == "US" }

// TrainedHandler reports whether somebody's training to handle pesticides counts on every
// day from one to another, YYYY-MM-DD.
func TrainedHandler(person identity.Person, first, last string) bool {
	return person.Qualified(identity.HandlerTraining, first, last)
}

// TrainedWorker reports whether somebody is trained to work where pesticide was applied
// on every day from one to another, YYYY-MM-DD. A handler's training is more than that.
func TrainedWorker(person identity.Person, first, last string) bool {
	return person.Qualified(identity.WorkerTraining, first, last) || TrainedHandler(person, first, last)
}

// Age is what is on record of somebody's age.
type Age int

// Ages. AgeUnknown is one that nobody entered.
const (
	AgeUnknown Age = iota
	UnderAge
	OfAge
)

// AgeOf says whether somebody has the age of a handler on a day, YYYY-MM-DD.
func AgeOf(person identity.Person, day string) Age {
	switch {
	case person.Qualified(identity.FullAge, day, day):
		return OfAge
	case person.UnderAge(day):
		return UnderAge
	}
	return AgeUnknown
}

// RespiratorNeeds returns what must count before somebody wears a respirator
// (SourceRespirator).
func RespiratorNeeds() []identityv1.QualificationKind {
	return []identityv1.QualificationKind{identity.MedicalClearance, identity.FitTest}
}
