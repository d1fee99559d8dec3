package stock

import "time"

// Topics of the commands that other services send to the stock through the
// outbox. The subject of each is the case's name.
const (
	TopicHold    = "stock.hold"
	TopicFree    = "stock.free"
	TopicDiscard = "stock.discard"
	TopicIsolate = "stock.isolate"
)

// Topics of what an authority orders. The subject of each is the duty's name.
const (
	TopicRestrict   = "stock.restrict"
	TopicUnrestrict = "stock.unrestrict"
)

// Restrict has an authority hold lots under a duty. Lots that it holds under that
// duty already are left.
type Restrict struct {
	// Duty is the duty's name.
	Duty string `json:"duty"`
	// Lots are the lots' names.
	Lots []string `json:"lots"`
	// NoMasking is true when nothing may be applied meanwhile that could hide signs.
	NoMasking bool `json:"no_masking"`
	// Disorder is the identifier of what they are held for.
	Disorder string `json:"disorder"`
	// Time is when the hold began, UTC.
	Time time.Time `json:"time"`
}

// Unrestrict ends the hold of all lots under a duty.
type Unrestrict struct {
	// Duty is the duty's name.
	Duty string `json:"duty"`
}

// Hold has a case hold lots apart. A lot that the case holds already is left; one
// that another case holds fails the command until that case frees it.
type Hold struct {
	// Case is the case's name.
	Case string `json:"case"`
	// Lots are the lots' names.
	Lots []string `json:"lots"`
}

// Free ends a case's hold on lots. Lots that it does not hold are left.
type Free struct {
	// Case is the case's name.
	Case string `json:"case"`
	// Lots are the lots' names.
	Lots []string `json:"lots"`
	// Ended is true when the case has ended: then it holds nothing any more, nor
	// what was split off its lots.
	Ended bool `json:"ended,omitempty"`
}

// Discard disposes of all plants on hand of lots, and of what was split off them
// and is still held by the same case. Empty lots are left.
type Discard struct {
	// Lots are the lots' names.
	Lots []string `json:"lots"`
	// Person is the name of who did it.
	Person string `json:"person"`
	// Note says why and how.
	Note string `json:"note"`
	// Time is when it was done, UTC.
	Time time.Time `json:"time"`
}

// Isolate moves whole lots to a bench that was an isolation bench when it was
// sent. Lots that stand there already,
// and empty ones, are left.
type Isolate struct {
	// Lots are the lots' names.
	Lots []string `json:"lots"`
	// Bench is the isolation bench's name.
	Bench string `json:"bench"`
	// Person is the name of who did it.
	Person string `json:"person"`
	// Time is when it was done, UTC.
	Time time.Time `json:"time"`
}
