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
