// Package checker tells whether a plan keeps the rules of package model, and what it
// costs. It reads the model and nothing else: it shares no line with the search, so
// that a fault there does not hide here. It is slow and obvious on purpose: it sorts
// what each person, sprayer and place does and looks at one after the other.
package checker
