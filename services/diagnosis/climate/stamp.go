package climate

// stampKind says how the Time of a row is to be read.
type stampKind uint8

const (
	// absolute is in seconds since 1970-01-01 UTC.
	absolute stampKind = iota
	// civil is in seconds since 1970-01-01 on the logger's clock.
	civil
	// unordered is civil, packed, with a date of which it is not known yet whether
	// day or month comes first.
	unordered
	// unorderedAbsolute is unordered with an offset of its own taken off.
	unorderedAbsolute
)

// packing makes the packed seconds of a day positive, whatever offset was taken off.
const packing = 1 << 20

const daySeconds = 86_400

// The years that a logger's clock can rightly show. Before the first there were
// none that write such files.
const (
	firstYear = 1990
	lastYear  = 2199
)

// stamps reads times as one file writes them.
type stamps struct {
	// order is DayFirst, MonthFirst or YearFirst; empty while it is not known.
	order string
	// given says that the caller named the order.
	given bool
	// firstOver and secondOver say that a date had more than 12 in its first or
	// second place.
	firstOver, secondOver bool
	// offsets and bare count times with and without an offset of their own.
	offsets, bare int
	// yearFirst says that a date had its year in front.
	yearFirst bool
}

// parse reads a date and a time of day, in one cell or two.
func (s *stamps) parse(date, clock []byte) (value int64, kind stampKind, ok bool) {
	date = trim(date)
	if len(clock) == 0 && allDigits(date) {
		return parseCount(date)
	}
	first, second, third, rest, ok := parseDate(date)
	if !ok {
		return 0, 0, false
	}
	if len(clock) > 0 {
		if len(trim(rest)) > 0 && !midnight(rest) {
			return 0, 0, false
		}
		rest = trim(clock)
	}
	seconds, rest, ok := parseClock(separated(rest))
	if !ok {
		return 0, 0, false
	}
	offset, has, ok := parseOffset(rest)
	if !ok {
		return 0, 0, false
	}
	value, kind, ok = s.join(first, second, third, seconds)
	if !ok {
		return 0, 0, false
	}
	if !has {
		s.bare++
		return value, kind, true
	}
	s.offsets++
	if kind == unordered {
		return value - offset, unorderedAbsolute, true
	}
	return value - offset, absolute, true
}

// midnight accepts what a spreadsheet leaves behind the date in a date column.
func midnight(rest []byte) bool {
	seconds, rest, ok := parseClock(separated(rest))
	return ok && seconds == 0 && len(rest) == 0
}

// part is a number of a date with how many digits it has.
type part struct{ value, digits int64 }

// join makes a moment of a date's three numbers, whichever is which.
func (s *stamps) join(first, second, third part, seconds int64) (int64, stampKind, bool) {
	if first.digits == 4 || (s.given && s.order == YearFirst) {
		s.yearFirst = true
		return civilSeconds(fullYear(first), second.value, third.value, seconds)
	}
	s.firstOver = s.firstOver || first.value > 12
	s.secondOver = s.secondOver || second.value > 12
	year := fullYear(third)
	switch s.order {
	case DayFirst:
		return civilSeconds(year, second.value, first.value, seconds)
	case MonthFirst:
		return civilSeconds(year, first.value, second.value, seconds)
	case YearFirst:
		return 0, 0, false
	}
	if first.value < 1 || first.value > 31 || second.value < 1 || second.value > 31 || year < firstYear || year > lastYear {
		return 0, 0, false
	}
	return year<<40 | first.value<<32 | second.value<<24 | (seconds + packing), unordered, true
}

// settle returns the moment of a packed date once the order is known.
func (s *stamps) settle(packed int64) (int64, bool) {
	year, first, second, seconds := packed>>40, packed>>32&0xff, packed>>24&0xff, packed&0xffffff-packing
	day, month := first, second
	if s.order == MonthFirst {
		day, month = second, first
	}
	value, _, ok := civilSeconds(year, month, day, seconds)
	return value, ok
}

// decide settles the order of day and month after the last date. unsettled says
// that there are dates whose order matters.
func (s *stamps) decide(unsettled bool) error {
	if s.order != "" || !unsettled {
		if s.order == "" && s.yearFirst {
			s.order = YearFirst
		}
		return nil
	}
	const field = "format.date_order"
	switch {
	case s.firstOver && s.secondOver:
		return rejected(field, "some dates have more than 12 in the first place and some in the second: the file mixes day/month and month/day; "+
			"import the parts one by one and say date_order for each")
	case s.firstOver:
		s.order = DayFirst
	case s.secondOver:
		s.order = MonthFirst
	default:
		return rejected(field, "no date tells whether the day or the month comes first, as in 03/04/2026; say date_order DMY or MDY")
	}
	return nil
}

// fullYear reads 26 as 2026: there were no such loggers in 1926.
func fullYear(p part) int64 {
	if p.digits <= 2 {
		return 2000 + p.value
	}
	return p.value
}

// civilSeconds returns the seconds from 1970-01-01 00:00 on the same clock.
func civilSeconds(year, month, day, seconds int64) (int64, stampKind, bool) {
	if year < firstYear || year > lastYear || month < 1 || month > 12 || day < 1 || day > daysIn(year, month) {
		return 0, 0, false
	}
	return days(year, month, day)*daySeconds + seconds, civil, true
}

var monthDays = [13]int64{0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31}

func daysIn(year, month int64) int64 {
	if month == 2 && year%4 == 0 && (year%100 != 0 || year%400 == 0) {
		return 29
	}
	return monthDays[month]
}

// days counts from 1970-01-01 in the Gregorian calendar, years beginning in March
// so that the leap day is their last.
func days(year, month, day int64) int64 {
	if month <= 2 {
		year--
		month += 12
	}
	return 365*year + year/4 - year/100 + year/400 + (153*(month-3)+2)/5 + day - 1 - 719468
}

func allDigits(cell []byte) bool {
	for _, b := range cell {
		if b-'0' > 9 {
			return false
		}
	}
	return len(cell) > 0
}

// parseCount reads seconds or milliseconds since 1970.
func parseCount(cell []byte) (int64, stampKind, bool) {
	if len(cell) < 9 || len(cell) > 13 {
		return 0, 0, false
	}
	var count int64
	for _, b := range cell {
		count = count*10 + int64(b-'0')
	}
	if len(cell) >= 12 {
		count /= 1000
	}
	first, last := days(firstYear, 1, 1)*daySeconds, days(lastYear, 12, 31)*daySeconds
	return count, absolute, first <= count && count <= last
}

// parseNumber reads up to so many digits.
func parseNumber(cell []byte, most int) (p part, rest []byte) {
	i := 0
	for i < len(cell) && i < most && cell[i]-'0' <= 9 {
		p.value = p.value*10 + int64(cell[i]-'0')
		i++
	}
	p.digits = int64(i)
	return p, cell[i:]
}

// parseDate reads three numbers parted twice by the same of - / . characters.
func parseDate(cell []byte) (first, second, third part, rest []byte, ok bool) {
	first, rest = parseNumber(cell, 4)
	if first.digits == 0 || len(rest) == 0 {
		return first, second, third, nil, false
	}
	mark := rest[0]
	if mark != '-' && mark != '/' && mark != '.' {
		return first, second, third, nil, false
	}
	second, rest = parseNumber(rest[1:], 2)
	if second.digits == 0 || len(rest) == 0 || rest[0] != mark {
		return first, second, third, nil, false
	}
	third, rest = parseNumber(rest[1:], 4)
	ok = third.digits > 0 && third.digits != 3 && first.digits != 3 && (first.digits != 4 || third.digits <= 2)
	return first, second, third, rest, ok
}

// separated drops what parts a date from a time of day.
func separated(rest []byte) []byte {
	if len(rest) > 0 && (rest[0] == 'T' || rest[0] == 't' || rest[0] == ',') {
		rest = rest[1:]
	}
	return trim(rest)
}

// parseClock reads a time of day: 0:10, 00:10:00.5, 12:10 AM. Nothing at all is
// midnight, as spreadsheets write it.
func parseClock(cell []byte) (seconds int64, rest []byte, ok bool) {
	if len(cell) == 0 {
		return 0, nil, true
	}
	hour, rest := parseNumber(cell, 2)
	if hour.digits == 0 || len(rest) == 0 || rest[0] != ':' {
		return 0, nil, false
	}
	minute, rest := parseNumber(rest[1:], 2)
	if minute.digits != 2 || minute.value > 59 {
		return 0, nil, false
	}
	var second part
	if len(rest) > 0 && rest[0] == ':' {
		if second, rest = parseNumber(rest[1:], 2); second.digits != 2 || second.value > 59 {
			return 0, nil, false
		}
		if len(rest) > 1 && (rest[0] == '.' || rest[0] == ',') {
			_, rest = parseNumber(rest[1:], len(rest)) // part of a second
		}
	}
	rest = trim(rest)
	hours, rest, ok := halfDay(hour.value, rest)
	if !ok || hours > 24 || (hours == 24 && minute.value+second.value > 0) {
		return 0, nil, false
	}
	return hours*3600 + minute.value*60 + second.value, rest, true
}

// halfDay applies AM or PM, written in any common way.
func halfDay(hour int64, rest []byte) (int64, []byte, bool) {
	if len(rest) < 2 {
		return hour, rest, true
	}
	letter := rest[0] | 0x20
	if letter != 'a' && letter != 'p' {
		return hour, rest, true
	}
	after := rest[1:]
	if after[0] == '.' {
		after = after[1:]
	}
	if len(after) == 0 || after[0]|0x20 != 'm' {
		return hour, rest, true
	}
	after = after[1:]
	if len(after) > 0 && after[0] == '.' {
		after = after[1:]
	}
	if hour < 1 || hour > 12 {
		return 0, nil, false
	}
	hour %= 12
	if letter == 'p' {
		hour += 12
	}
	return hour, trim(after), true
}

// maxOffset is the furthest that a clock on land is from UTC, in seconds.
const maxOffset = 14 * 3600

// parseOffset reads Z, UTC, +02:00, +0200 or +02, in seconds east of UTC.
func parseOffset(cell []byte) (offset int64, has, ok bool) {
	switch {
	case len(cell) == 0:
		return 0, false, true
	case string(cell) == "Z" || string(cell) == "z" || string(cell) == "UTC" || string(cell) == "GMT":
		return 0, true, true
	case cell[0] != '+' && cell[0] != '-':
		return 0, false, false
	}
	hours, rest := parseNumber(cell[1:], 2)
	if len(rest) > 0 && rest[0] == ':' {
		rest = rest[1:]
	}
	minutes, rest := parseNumber(rest, 2)
	offset = hours.value*3600 + minutes.value*60
	if hours.digits != 2 || minutes.digits == 1 || len(rest) > 0 || minutes.value > 59 || offset > maxOffset {
		return 0, false, false
	}
	if cell[0] == '-' {
		offset = -offset
	}
	return offset, true, true
}
