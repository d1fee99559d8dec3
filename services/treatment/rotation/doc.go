package rotation

// Limit is a limit that bears on a rotation.
type Limit struct {
	// Rule is its identifier in package rules.
	Rule string
	// Message is a sentence with its numbers.
	Message string
	// Source is where it comes from.
	Source string
}
