package climate

import (
	"bytes"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// maxPreamble is how many records may come before the header: loggers put their
// name, serial number and settings there. Design value.
const maxPreamble = 200

// maxCells is how many columns a file may have.
const maxCells = 500

// maxShown is how many characters of a file's own text a sentence repeats.
const maxShown = 60

// vocabulary is what the headers of one kind of column say, in the languages that
// loggers are sold in. Names are common practice, no source.
type vocabulary struct{ says, never []string }

// elsewhere are words of columns that hold another temperature or humidity than
// that of the air in the house, or no reading at all.
var elsewhere = []string{"dew", "dewpoint", "dp", "bulb", "soil", "medium", "substrate", "root", "water", "outside", "outdoor",
	"outdoors", "external", "set", "setpoint", "target", "battery", "pipe", "min", "max", "minimum", "maximum", "index",
	"vpd", "deficit", "alarm", "limit", "taupunkt", "dauwpunt", "buiten", "aussen"}

var (
	dateWords        = []string{"date", "datum", "fecha"}
	timeWords        = []string{"time", "zeit", "uhrzeit", "tijd", "hora", "heure", "hour", "clock"}
	stampWords       = []string{"timestamp", "datetime", "zeitstempel", "tijdstip", "tijdstempel", "unix", "epoch"}
	neverTime        = []string{"zone", "timezone", "elapsed", "duration", "interval", "battery", "wetness", "wet", "wetting"}
	temperatureWords = vocabulary{
		says: []string{"temp", "temps", "temperature", "temperatur", "temperatura", "température", "celsius",
			"temperatuur", //nolint:misspell // Dutch
			"fahrenheit", "tempc", "tempf", "tair", "airtemp", "lufttemperatur"},
		never: append([]string{"leaf", "humidity", "rh"}, elsewhere...),
	}
	humidityWords = vocabulary{
		says: []string{"humidity", "hum", "rh", "humid", "feuchte", "feuchtigkeit", "luftfeuchte", "luftfeuchtigkeit", "rv",
			"vochtigheid", "luchtvochtigheid", "humedad", "hr", "humidité", "umidità"},
		never: append([]string{"absolute", "abs", "specific", "mixing", "kg", "m3", "m³", "leaf"}, elsewhere...),
	}
	wetnessWords = vocabulary{
		says:  []string{"wet", "wetness", "leafwet", "leafwetness", "lwd", "blattnässe", "bladnat"},
		never: []string{"bulb", "soil", "medium", "substrate", "battery", "max", "maximum", "alarm", "hours"},
	}
)

// words cuts a header into lower-case words; °C, °F and % are words of their own.
func words(header string) []string {
	var found []string
	var word strings.Builder
	flush := func() {
		if word.Len() > 0 {
			found = append(found, word.String())
			word.Reset()
		}
	}
	for _, r := range strings.ToLower(header) {
		switch {
		case r == '%':
			flush()
			found = append(found, "%")
		case r == '°' || r == 'º' || r == '˚':
			flush()
			word.WriteRune('°')
		case r == '℃' || r == '℉':
			flush()
			found = append(found, map[rune]string{'℃': "°c", '℉': "°f"}[r])
		case unicode.IsLetter(r) || (unicode.IsDigit(r) && word.Len() > 0):
			word.WriteRune(r)
		default:
			if word.String() != "°" { // "° C" is °C
				flush()
			}
		}
	}
	flush()
	return found
}

func anyOf(words, of []string) bool {
	return slices.ContainsFunc(words, func(word string) bool { return slices.Contains(of, word) })
}

func (v vocabulary) fits(words []string) bool { return anyOf(words, v.says) && !anyOf(words, v.never) }

// temperatureUnit returns the unit that the words of a header name. "C" and "F"
// count only as words by themselves.
func temperatureUnit(words []string) string {
	celsius := anyOf(words, []string{"°c", "c", "celsius", "degc", "cel", "tempc"})
	fahrenheit := anyOf(words, []string{"°f", "f", "fahrenheit", "degf", "tempf"})
	switch {
	case celsius && !fahrenheit:
		return Celsius
	case fahrenheit && !celsius:
		return Fahrenheit
	default:
		return ""
	}
}

// column is a column of a file.
type column struct {
	at    int
	name  string
	words []string
}

// layout is where a file has what.
type layout struct {
	line        int
	delimiter   byte
	width       int
	date, time  column
	temperature column
	humidity    column
	wetness     column
}

// absent is the column that a file has not.
var absent = column{at: -1}

func (c column) present() bool { return c.at >= 0 }

// headerText makes a header's bytes text of one line: loggers write UTF-8 or
// Latin-1.
func headerText(cell []byte) string {
	text := string(cell)
	if !utf8.Valid(cell) {
		runes := make([]rune, len(cell))
		for i, b := range cell {
			runes[i] = rune(b) // Latin-1 is the beginning of Unicode
		}
		text = string(runes)
	}
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, text))
}

func columnsOf(cells [][]byte) []column {
	columns := make([]column, len(cells))
	for i, cell := range cells {
		name := headerText(cell)
		columns[i] = column{at: i, name: name, words: words(name)}
	}
	return columns
}

// findHeader looks for the header in the first records of a file.
func findHeader(beginning []byte, format Format) (layout, error) {
	var best []column
	var at layout
	score := 0
	for _, delimiter := range []byte{'\t', ';', ','} {
		columns, line, found := firstHeader(beginning, delimiter, format)
		// The header stands where most of it is understood; a cell that holds a
		// whole line is none.
		if found > score {
			best, score, at = columns, found, layout{line: line, delimiter: delimiter, width: len(columns)}
		}
	}
	if score == 0 {
		return layout{}, rejected("data", "no header was found in the first %d lines: one line must name a column with the date or time "+
			"and one with the temperature or humidity, parted by commas, semicolons or tabs; or name the columns in the format", maxPreamble)
	}
	return at, at.choose(best, format)
}

// firstHeader returns the first record that is a header when cells are parted by a
// delimiter, and how many columns of it are understood.
func firstHeader(beginning []byte, delimiter byte, format Format) (columns []column, line, score int) {
	records := newLines(bytes.NewReader(beginning))
	records.delimiter = delimiter
	for range maxPreamble {
		cells, line, err := records.next()
		if err != nil {
			return nil, 0, 0
		}
		if len(cells) < 2 || len(cells) > maxCells {
			continue
		}
		columns := columnsOf(cells)
		if score := understood(columns, format); score > 0 {
			return columns, line, score
		}
	}
	return nil, 0, 0
}

// understood counts the columns that a header has of those that are looked for; 0
// when it lacks the time or both temperature and humidity.
func understood(columns []column, format Format) int {
	count := func(named string, fits func([]string) bool) int {
		for _, c := range columns {
			if (named != "" && strings.EqualFold(c.name, strings.TrimSpace(named))) || (named == "" && fits(c.words)) {
				return 1
			}
		}
		return 0
	}
	moment := count(format.DateColumn, saysTime)
	values := count(format.TemperatureColumn, temperatureWords.fits) + count(format.HumidityColumn, humidityWords.fits)
	if moment == 0 || values == 0 {
		return 0
	}
	return moment + values + count(format.WetnessColumn, wetnessWords.fits)
}

func saysTime(words []string) bool {
	return (anyOf(words, dateWords) || anyOf(words, timeWords) || anyOf(words, stampWords)) && !anyOf(words, neverTime)
}

// choose settles which column is which.
func (l *layout) choose(columns []column, format Format) error {
	var err error
	if err = l.chooseTime(columns, format); err != nil {
		return err
	}
	taken := func(c column) bool { return c.at == l.date.at || c.at == l.time.at }
	free := slices.DeleteFunc(slices.Clone(columns), taken)
	if l.temperature, err = chooseOne(free, format.TemperatureColumn, "temperature", temperatureWords.fits); err != nil {
		return err
	}
	if l.humidity, err = chooseOne(free, format.HumidityColumn, "humidity", humidityWords.fits); err != nil {
		return err
	}
	if l.wetness, err = chooseOne(free, format.WetnessColumn, "wetness", wetnessWords.fits); err != nil {
		return err
	}
	if !l.temperature.present() && !l.humidity.present() {
		return rejected("format.temperature_column", "the header on line %d has neither temperature nor humidity; it has %s", l.line, listed(columns))
	}
	return l.apart()
}

// apart refuses one column for two things.
func (l *layout) apart() error {
	seen := map[int]string{}
	for _, c := range []struct {
		what string
		column
	}{{"date", l.date}, {"time", l.time}, {"temperature", l.temperature}, {"humidity", l.humidity}, {"wetness", l.wetness}} {
		if !c.present() {
			continue
		}
		if before, twice := seen[c.at]; twice {
			return rejected("format."+c.what+"_column", "the column %s cannot hold both %s and %s", quotedName(c.name), before, c.what)
		}
		seen[c.at] = c.what
	}
	return nil
}

func (l *layout) chooseTime(columns []column, format Format) error {
	l.date, l.time = absent, absent
	if format.DateColumn != "" || format.TimeColumn != "" {
		return l.chooseNamedTime(columns, format)
	}
	whole, dates, times := timeColumns(columns)
	switch {
	case len(whole) == 1:
		l.date = whole[0]
	case len(whole) == 0 && len(dates) == 1 && len(times) <= 1:
		l.date = dates[0]
		if len(times) == 1 {
			l.time = times[0]
		}
	case len(whole) == 0 && len(dates) == 0 && len(times) == 1:
		l.date = times[0]
	default:
		return rejected("format.date_column", "the header on line %d has several columns for the time: %s; say which to read",
			l.line, listed(slices.Concat(whole, dates, times)))
	}
	return nil
}

func (l *layout) chooseNamedTime(columns []column, format Format) (err error) {
	if format.TimeColumn != "" {
		if l.time, err = chooseOne(columns, format.TimeColumn, "time", nil); err != nil {
			return err
		}
	}
	others := slices.DeleteFunc(slices.Clone(columns), func(c column) bool {
		return format.DateColumn == "" && c.at == l.time.at
	})
	l.date, err = chooseOne(others, format.DateColumn, "date", saysTime)
	return err
}

// timeColumns sorts the columns that say when by what they say: date and time in
// one, the date, or the time of day.
func timeColumns(columns []column) (whole, dates, times []column) {
	for _, c := range columns {
		hasDate, hasTime := anyOf(c.words, dateWords), anyOf(c.words, timeWords)
		switch {
		case !saysTime(c.words):
		case anyOf(c.words, stampWords) || (hasDate && hasTime):
			whole = append(whole, c)
		case hasDate:
			dates = append(dates, c)
		default:
			times = append(times, c)
		}
	}
	return whole, dates, times
}

// chooseOne returns the column of a name, or the only one whose words fit; absent
// when there is none.
func chooseOne(columns []column, named, what string, fits func([]string) bool) (column, error) {
	var found []column
	for _, c := range columns {
		if (named != "" && strings.EqualFold(c.name, strings.TrimSpace(named))) || (named == "" && fits != nil && fits(c.words)) {
			found = append(found, c)
		}
	}
	field := "format." + what + "_column"
	switch {
	case len(found) == 1:
		return found[0], nil
	case len(found) > 1 && named != "":
		return absent, rejected(field, "the header has %d columns %s; give the one to read a name of its own", len(found), quotedName(named))
	case len(found) > 1:
		return absent, rejected(field, "the header has several columns for the %s: %s; say which to read", what, listed(found))
	case named != "":
		return absent, rejected(field, "the header has no column %s; it has %s", quotedName(named), listed(columns))
	default:
		return absent, nil
	}
}

func listed(columns []column) string {
	const most = 12
	names := make([]string, 0, most)
	for i, c := range columns {
		if i == most {
			names = append(names, "and more")
			break
		}
		names = append(names, quotedName(c.name))
	}
	return strings.Join(names, ", ")
}

// quotedName shows a file's own text in a sentence.
func quotedName(name string) string { return strconv.Quote(clip(name, maxShown)) }

func clip(text string, most int) string {
	if utf8.RuneCountInString(text) <= most {
		return text
	}
	return string([]rune(text)[:most]) + "…"
}

// offsetForm is an offset in a header, such as "Date Time, GMT+02:00".
var offsetForm = regexp.MustCompile(`(?i)\b(?:utc|gmt)\s*([+\-\x{2212}])\s*([0-9]{1,2})(?::?([0-9]{2}))?`)

// headerZone is what the header of the time says about its zone.
type headerZone struct {
	// said is false when it says nothing.
	said bool
	// offset is in seconds east of UTC.
	offset int64
}

func zoneOf(c column) headerZone {
	if m := offsetForm.FindStringSubmatch(c.name); m != nil {
		hours, _ := strconv.ParseInt(m[2], 10, 64)   // one or two digits
		minutes, _ := strconv.ParseInt(m[3], 10, 64) // two digits or none: 0
		offset := hours*3600 + minutes*60
		if m[1] != "+" {
			offset = -offset
		}
		return headerZone{said: true, offset: offset}
	}
	return headerZone{said: anyOf(c.words, []string{"utc", "gmt", "unix", "epoch"})}
}

// unitOf settles the unit of the temperature.
func unitOf(c column, format Format) (string, error) {
	header := temperatureUnit(c.words)
	const field = "format.temperature_unit"
	switch {
	case !c.present():
		return "", nil
	case format.TemperatureUnit != "" && header != "" && format.TemperatureUnit != header:
		return "", rejected(field, "the header %s says %s, but temperature_unit says %s; correct the one that is wrong",
			quotedName(c.name), unitName(header), unitName(format.TemperatureUnit)).
			With("column", c.name)
	case format.TemperatureUnit != "":
		return format.TemperatureUnit, nil
	case header != "":
		return header, nil
	default:
		return "", rejected(field, "the header %s names no unit; say temperature_unit Cel (°C) or [degF] (°F)", quotedName(c.name)).With("column", c.name)
	}
}

func unitName(unit string) string {
	if unit == Fahrenheit {
		return "°F"
	}
	return "°C"
}

// place says where a column is, for a sentence.
func (c column) place() string { return fmt.Sprintf("column %d %s", c.at+1, quotedName(c.name)) }
