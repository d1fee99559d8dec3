package climate

import "velamen/internal/fault"

// Units of temperature, as in the contract.
const (
	Celsius    = "Cel"
	Fahrenheit = "[degF]"
)

// Orders of day, month and year in a date of numbers.
const (
	DayFirst   = "DMY"
	MonthFirst = "MDY"
	YearFirst  = "YMD"
)

// Zones of times that carry no offset.
const (
	// Local is the nursery's clock, which skips and repeats an hour every year in
	// many countries.
	Local = "LOCAL"
	// Standard is the nursery's winter time all the year.
	Standard = "STANDARD"
	// UTC is Coordinated Universal Time.
	UTC = "UTC"
)

// Format says how a file is read. What is empty is found in the header; in the
// Format that Parse returns it stands as it was used.
type Format struct {
	// DateColumn is the header of the column with date and time, or with the date
	// alone where TimeColumn is another.
	DateColumn string
	// TimeColumn is the header of the column with the time of day; empty where
	// DateColumn holds both.
	TimeColumn string
	// TemperatureColumn is the header of the column with the temperature.
	TemperatureColumn string
	// HumidityColumn is the header of the column with the relative humidity.
	HumidityColumn string
	// WetnessColumn is the header of the column with the leaf wetness.
	WetnessColumn string
	// TemperatureUnit is Celsius or Fahrenheit.
	TemperatureUnit string
	// DateOrder is DayFirst, MonthFirst or YearFirst; empty where times are counted
	// in seconds.
	DateOrder string
	// Zone is Local, Standard or UTC; empty where the file gives offsets itself.
	Zone string
}

// File is a logger's file that was read.
type File struct {
	// Readings ascend in time, and no two have the same.
	Readings []Reading
	// Format is how the file was read.
	Format Format
	// IntervalSeconds is the usual time from one reading to the next; 0 for a
	// single reading.
	IntervalSeconds int64
	// Faults are those found, at most MaxFaults, in the order of time.
	Faults []Fault
	// FaultCounts are all faults found, by kind.
	FaultCounts map[string]int
	// LeftOut is how many lines gave no reading because of a fault.
	LeftOut int64
}

// MaxFaults is how many faults are kept, as in the contract; all are counted.
const MaxFaults = 100

// The kinds of fault.
const (
	Gap         = "gap"
	Spike       = "spike"
	Stuck       = "stuck"
	ClockChange = "clock-change"
	OutOfOrder  = "out-of-order"
	Duplicate   = "duplicate"
	Conflict    = "conflict"
	OutOfRange  = "out-of-range"
	UnitSuspect = "unit-suspect"
	Unreadable  = "unreadable"
)

// Fault is something odd in a file.
type Fault struct {
	// Kind is one of the constants above.
	Kind string
	// Line counts from 1; 0 when it concerns no single line.
	Line int
	// Start is when it begins, in seconds since 1970-01-01 UTC.
	Start int64
	// End is when it ends.
	End int64
	// Sentence says what is odd and what was done about it.
	Sentence string
}

// faults collects what is found: all are counted, the first of each kind kept.
type faults struct {
	kept   map[string][]Fault
	counts map[string]int
}

func newFaults() *faults { return &faults{kept: map[string][]Fault{}, counts: map[string]int{}} }

// full says that a further fault of a kind would only be counted, so that nobody
// need write its sentence.
func (f *faults) full(kind string) bool { return len(f.kept[kind]) == MaxFaults }

func (f *faults) count(kind string) { f.counts[kind]++ }

func (f *faults) add(fault Fault) {
	f.count(fault.Kind)
	if !f.full(fault.Kind) {
		f.kept[fault.Kind] = append(f.kept[fault.Kind], fault)
	}
}

// rejected is the fault of a file that cannot be trusted. The field is what the
// caller can set to have it read.
func rejected(field, format string, args ...any) *fault.Fault {
	return fault.FieldReason(fault.Invalid, fault.ClimateFileRejected, field, format, args...)
}
