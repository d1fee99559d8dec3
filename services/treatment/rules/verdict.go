package rules

import "time"

// Outcome is what a rule says, from good to bad.
type Outcome int

// The outcomes.
const (
	// Pass: the rule was held to and is kept.
	Pass Outcome = iota + 1
	// Warn: it is kept, or cannot be told, and there is something to mind.
	Warn
	// Refuse: it is broken.
	Refuse
)

// Verdict is what one rule says about one application.
type Verdict struct {
	// Rule is its identifier, for example "label-min-interval".
	Rule    string
	Outcome Outcome
	// Field is the path in the request that it is about.
	Field string
	// Product is the id of the product that it is about; empty for the whole mix.
	Product string
	// Message is a sentence for a person. Times in it are the nursery's own.
	Message string
	// Source is where the rule comes from.
	Source string
	// Numbers are the values that it used.
	Numbers []Number
	// Earliest is when it would pass; zero when waiting does not help.
	Earliest time.Time
	// Alternatives are what would pass instead.
	Alternatives []string
	// Overridable is true when a manager may go against it and answer for it.
	Overridable bool
}

// Number is a value that a rule used.
type Number struct {
	// Name says what it is, for example "days since the last application".
	Name string
	// Value with its unit.
	Value string
}
