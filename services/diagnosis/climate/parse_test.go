package climate_test

import (
	"bytes"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/text/encoding/unicode"

	"velamen/internal/fault"
	"velamen/services/diagnosis/climate"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	require.NoError(t, err)
	return z
}

// at is 2026-01-05 at a time of day, UTC.
func at(clock string) int64 {
	moment, err := time.Parse("2006-01-02 15:04", "2026-01-05 "+clock)
	if err != nil {
		panic(err)
	}
	return moment.Unix()
}

const none = climate.Missing

// reading writes values in hundredths.
func reading(clock string, temperature, humidity, wetness int32) climate.Reading {
	return climate.Reading{Time: at(clock), Temperature: temperature, Humidity: humidity, Wetness: wetness}
}

// Three readings in the many forms that loggers write them.
func TestFormsOfFiles(t *testing.T) {
	want := []climate.Reading{reading("10:00", 2150, 8000, none), reading("10:10", 2163, 8125, none), reading("10:20", -50, 9900, none)}
	wet := []climate.Reading{reading("10:00", 2150, 8000, 0), reading("10:10", 2163, 8125, 10000), reading("10:20", -50, 9900, 5000)}
	iso := "time,temperature (°C),humidity (%)\n2026-01-05T10:00:00Z,21.5,80\n2026-01-05T10:10:00Z,21.63,81.25\n2026-01-05T10:20:00Z,-0.5,99\n"
	utf16 := func(order unicode.Endianness) string {
		text, err := unicode.UTF16(order, unicode.UseBOM).NewEncoder().String(iso)
		require.NoError(t, err)
		return text
	}
	utc := climate.Format{Zone: climate.UTC}
	for name, test := range map[string]struct {
		file   string
		format climate.Format
		want   []climate.Reading
	}{
		"ISO 8601 with Z":               {iso, climate.Format{}, want},
		"byte order mark":               {"\ufeff" + iso, climate.Format{}, want},
		"byte order mark before quotes": {"\ufeff\"time\",\"temperature (°C)\",\"humidity (%)\"" + iso[strings.Index(iso, "\n"):], climate.Format{}, want},
		"UTF-16, little end first":      {utf16(unicode.LittleEndian), climate.Format{}, want},
		"UTF-16, big end first":         {utf16(unicode.BigEndian), climate.Format{}, want},
		"Latin-1 degree":                {strings.ReplaceAll(iso, "°", "\xb0"), climate.Format{}, want},
		"CRLF, empty lines":             {strings.ReplaceAll(iso, "\n", "\r\n\r\n"), climate.Format{}, want},
		"no line end at the end":        {strings.TrimSuffix(iso, "\n"), climate.Format{}, want},
		"offset": {"Timestamp,RH %,Temp C\n2026-01-05 12:00:00+02:00,80,21.5\n2026-01-05 12:10:00+0200,81.25,21.63\n" +
			"2026-01-05T11:20:00.250+01,99,-0.5\n", climate.Format{}, want},
		"offset in the header": {"#,\"Date Time, GMT+02:00\",\"Temp, °C (S/N: 1)\",\"RH, % (S/N: 1)\",Button\n1,01/05/26 12:00:00 PM,21.5,80,\n" +
			"2,01/05/26 12:10:00 PM,21.63,81.25,\n3,01/05/26 12:20:00 PM,-0.5,99,Logged\n", climate.Format{DateOrder: climate.MonthFirst}, want},
		"semicolons and decimal commas": {"Datum;Uhrzeit;Temperatur [°C];Luftfeuchte [%]\n05.01.2026;10:00;21,5;80,0\n05.01.2026;10:10;21,63;81,25\n" +
			"05.01.2026;10:20;-0,5;99\n", climate.Format{DateOrder: climate.DayFirst, Zone: climate.UTC}, want},
		"commas and quoted decimal commas": {"date,time,temp °C,rh\n2026-01-05,10:00,\"21,5\",80\n2026-01-05,10:10,\"21,63\",\"81,25\"\n2026-01-05,10:20,\"-0,5\",99\n", utc, want},
		"tabs, other columns, a minus sign": {"No\tDew point (°C)\tRel. Humidity (%)\tTemperature (°C)\tDate/Time\n1\t11\t80\t21.5\t2026/01/05 10:00:00\n" +
			"2\t12\t81.25\t21.63\t2026/01/05 10:10:00\n3\t13\t99\t\u22120.5\t2026/01/05 10:20:00\n", utc, want},
		"a preamble": {"Logger;Bench 3\nSerial number;12345, of 2024\nExport;\"two\nlines\"\n\nTime;Temp. (°C);Hum. (%)\n2026-01-05 10:00;21.5;80\n" +
			"2026-01-05 10:10;21.63;81.25\n2026-01-05 10:20;-0.5;99\n", utc, want},
		"seconds since 1970":      {fmt.Sprintf("unix time,temp_c,rh\n%d,21.5,80\n%d,21.63,81.25\n%d,-0.5,99\n", at("10:00"), at("10:10"), at("10:20")), climate.Format{}, want},
		"milliseconds since 1970": {fmt.Sprintf("timestamp,temp_c,rh\n%d000,21.5,80\n%d000,21.63,81.25\n%d999,-0.5,99\n", at("10:00"), at("10:10"), at("10:20")), climate.Format{}, want},
		"AM and PM": {"Date,Time,Temp (C),RH\n13/12/2025,12:10 AM,,\n05/01/2026,10:00:00 AM,21.5,80\n05/01/2026,10:10 a.m.,21.63,81.25\n" +
			"05/01/2026,10:20:00am,-0.5,99\n", utc, want},
		"Fahrenheit, exactly": {"time,temp (°F),rh\n2026-01-05 10:00,70.7,80\n2026-01-05 10:10,70.934,81.25\n2026-01-05 10:20,31.1,99\n", utc, want},
		"unit given":          {"time,temp,rh\n2026-01-05 10:00,21.5,80\n2026-01-05 10:10,21.63,81.25\n2026-01-05 10:20,-0.5,99\n", climate.Format{Zone: climate.UTC, TemperatureUnit: climate.Celsius}, want},
		"units in the cells":  {"time,temp (°C),rh\n2026-01-05 10:00,21.5 °C,80 %\n2026-01-05 10:10,21.63°C,81.25%\n2026-01-05 10:20,-0.5 C,99 %RH\n", utc, want},
		"columns named": {"t,a,b,c\n2026-01-05 10:00,21.5,1,80\n2026-01-05 10:10,21.63,2,81.25\n2026-01-05 10:20,-0.5,3,99\n",
			climate.Format{DateColumn: "T", TemperatureColumn: "a", HumidityColumn: "c", TemperatureUnit: climate.Celsius, Zone: climate.UTC}, want},
		"time column named": {"day,clock,temp (°C),rh\n2026-01-05,10:00,21.5,80\n2026-01-05,10:10,21.63,81.25\n2026-01-05,10:20,-0.5,99\n",
			climate.Format{DateColumn: "day", TimeColumn: "clock", Zone: climate.UTC}, want},
		"time column alone named": {"Date,Time,Time of export,temp (°C),rh\n2026-01-05,10:00,x,21.5,80\n2026-01-05,10:10,x,21.63,81.25\n2026-01-05,10:20,x,-0.5,99\n",
			climate.Format{DateColumn: "Date", TimeColumn: "Time", Zone: climate.UTC}, want},
		"wetness as a share": {"time,temp (°C),rh,leaf wetness\n2026-01-05 10:00,21.5,80,0\n2026-01-05 10:10,21.63,81.25,1\n2026-01-05 10:20,-0.5,99,0.5\n", utc, wet},
		"wetness in percent": {"time,leaf wetness %,temp (°C),rh\n2026-01-05 10:00,0,21.5,80\n2026-01-05 10:10,100,21.63,81.25\n2026-01-05 10:20,50,-0.5,99\n", utc, wet},
		"wetness in minutes": {"time,temp (°C),rh,wet (min)\n2026-01-05 10:00,21.5,80,0\n2026-01-05 10:10,21.63,81.25,10\n2026-01-05 10:20,-0.5,99,5\n", utc, wet},
		"a line for each sensor": {"time,temp (°C),rh\n2026-01-05 10:00,21.5,\n2026-01-05 10:00,,80\n2026-01-05 10:10,21.63,\n2026-01-05 10:10,---,81.25\n" +
			"2026-01-05 10:20,-0.5,99\n", utc, want},
	} {
		t.Run(name, func(t *testing.T) {
			file, err := climate.Parse(strings.NewReader(test.file), test.format, time.UTC)
			require.NoError(t, err)
			require.Equal(t, test.want, file.Readings)
			require.EqualValues(t, 600, file.IntervalSeconds)
			require.Empty(t, file.Faults)
			require.Zero(t, file.LeftOut)
		})
	}
}

// Text becomes whole hundredths, a half the even one; Fahrenheit by whole numbers.
func TestRounding(t *testing.T) {
	for _, test := range []struct {
		unit, text string
		want       int32
	}{
		{"°C", "21.345", 2134}, {"°C", "21.355", 2136}, {"°C", "21.3450001", 2135}, {"°C", "21.3449999", 2134}, {"°C", "-0.005", 0},
		{"°C", "-0.015", -2}, {"°C", "+7", 700}, {"°C", ".5", 50}, {"°C", "5.", 500}, {"°C", "21.345000000000001", 2135},
		{"°F", "32", 0}, {"°F", "212", none}, {"°F", "-40", -4000}, {"°F", "70", 2111}, {"°F", "69.989", 2110}, {"°F", "32.009", 0}, {"°F", "32.027", 2},
	} {
		file, err := climate.Parse(strings.NewReader("time,temp ("+test.unit+"),rh\n2026-01-05 10:00,"+test.text+",80\n2026-01-05 11:00,"+
			map[string]string{"°C": "20", "°F": "68"}[test.unit]+",80\n2026-01-05 12:00,"+map[string]string{"°C": "20", "°F": "68"}[test.unit]+",80\n"), climate.Format{}, time.UTC)
		require.NoError(t, err, test)
		require.Equal(t, test.want, file.Readings[0].Temperature, test)
	}
}

// series writes a file of ten-minute readings.
type series struct {
	header string
	from   time.Time
	n      int
	format string
	zone   *time.Location
	value  func(i int) string
}

func (s series) String() string {
	var b strings.Builder
	b.WriteString(s.header + "\n")
	for i := range s.n {
		moment := s.from.Add(time.Duration(i) * 10 * time.Minute).In(s.zone)
		fmt.Fprintf(&b, "%s,%s\n", moment.Format(s.format), s.value(i))
	}
	return b.String()
}

func mild(i int) string { return fmt.Sprintf("%d.%d,8%d", 18+i%5, i%10, i%7) }

const celsius = "time,temp (°C),rh (%)"

// Files that cannot be trusted are refused, and the refusal says what to set.
func TestFilesThatAreRefused(t *testing.T) {
	from := time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC)
	of := func(header string, value func(int) string) string {
		return series{header, from, 300, "2006-01-02 15:04", time.UTC, value}.String()
	}
	for name, test := range map[string]struct {
		file   string
		format climate.Format
		field  string
		says   []string
	}{
		"Fahrenheit under a Celsius header": {of(celsius, func(i int) string { return fmt.Sprintf("%d.5,80", 68+i%9) }), climate.Format{},
			"format.temperature_unit", []string{`column 2 "temp (°C)"`, "median is 72.50", "temperature_unit [degF]"}},
		"one day of Fahrenheit among mild ones": {of(celsius, func(i int) string {
			if i >= 144 && i < 288 {
				return fmt.Sprintf("%d.5,80", 60+i%9)
			}
			return mild(i)
		}), climate.Format{}, "format.temperature_unit", []string{"2026-01-06", "°F"}},
		"a cold house in Fahrenheit under a Celsius header": {of(celsius, func(i int) string { return fmt.Sprintf("%d.5,80", 39+i%6) }), climate.Format{},
			"format.temperature_unit", []string{"median is 41.50", "2026-01-05", "never below 39.50 °C", "temperature_unit [degF]"}},
		"Celsius under a Fahrenheit header": {of("time,temp (°F),rh (%)", mild), climate.Format{},
			"format.temperature_unit", []string{"median is 20.19", "°C", "temperature_unit Cel"}},
		"Fahrenheit where the caller says Celsius": {of("time,temp,rh", func(i int) string { return fmt.Sprintf("%d.5,80", 68+i%9) }),
			climate.Format{TemperatureUnit: climate.Celsius}, "format.temperature_unit", []string{"72.50"}},
		"unit that contradicts the header": {of(celsius, mild), climate.Format{TemperatureUnit: climate.Fahrenheit},
			"format.temperature_unit", []string{`"temp (°C)"`, "°F"}},
		"no unit": {of("time,temp,rh", mild), climate.Format{}, "format.temperature_unit", []string{`"temp"`, "no unit"}},
		"humidity as a share": {of(celsius, func(i int) string { return fmt.Sprintf("20,0.8%d", i%10) }), climate.Format{},
			"format.humidity_column", []string{"0.89", "share"}},
		"humidity as a share, beyond saturation": {of(celsius, func(i int) string { return fmt.Sprintf("20,%d.02", i%2) }), climate.Format{},
			"format.humidity_column", []string{"1.02", "share"}},
		"more broken lines than any file may have": {celsius + "\n" + strings.Repeat("x\n", 200_000), climate.Format{}, "data", []string{"150000 lines"}},
		"columns swapped": {of(celsius, func(i int) string { return fmt.Sprintf("8%d,2%d", i%10, i%5) }), climate.Format{},
			"format.temperature_column", []string{"swapped"}},
		"two temperatures": {of("time,temp 1 (°C),temp 2 (°C)", mild), climate.Format{}, "format.temperature_column", []string{"temp 1", "temp 2"}},
		"a column that is not there": {of(celsius, mild), climate.Format{WetnessColumn: "leaf"}, "format.wetness_column",
			[]string{`"leaf"`, `"rh (%)"`}},
		"one column for two":            {of(celsius, mild), climate.Format{HumidityColumn: "temp (°C)"}, "format.humidity_column", []string{"both"}},
		"no header":                     {"2026-01-05 10:00,21.5,80\n", climate.Format{}, "data", []string{"no header"}},
		"empty":                         {"", climate.Format{}, "data", []string{"no header"}},
		"only a header":                 {celsius + "\n", climate.Format{}, "data", []string{"no line behind"}},
		"no values":                     {celsius + "\n2026-01-05 10:00,,\n", climate.Format{}, "data", []string{"no line has"}},
		"times that are no times":       {celsius + "\nyesterday,20,80\n", climate.Format{}, "data", []string{`"yesterday"`, "line 2"}},
		"decimal commas without quotes": {"time,temp (°C),rh\n2026-01-05 10:00,21,5,80,5\n", climate.Format{}, "data", []string{"decimal commas"}},
		"day or month first?":           {"time,temp (°C),rh\n03/04/2026 10:00,21,80\n", climate.Format{}, "format.date_order", []string{"DMY or MDY"}},
		"day first and month first":     {"time,temp (°C),rh\n13/04/2026 10:00,21,80\n04/13/2026 10:00,21,80\n", climate.Format{}, "format.date_order", []string{"mixes"}},
		"dates against the order given": {"time,temp (°C),rh\n13/04/2026 10:00,21,80\n", climate.Format{DateOrder: climate.MonthFirst}, "data", []string{"13/04/2026"}},
		"days without times":            {"date,hour of day,temp (°C)\n2026-01-05,10,20\n2026-01-05,11,21\n", climate.Format{DateColumn: "date"}, "format.time_column", []string{`"date"`}},
		"zone against the header":       {of("time UTC,temp (°C),rh", mild), climate.Format{Zone: climate.Local}, "format.zone", []string{"time UTC"}},
		"a quote that is never closed":  {celsius + "\n\"" + strings.Repeat("2026-01-05 10:00,21.5,80\n", 10_000), climate.Format{}, "data", []string{"quote"}},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := climate.Parse(strings.NewReader(test.file), test.format, time.UTC)
			require.Error(t, err)
			refused, ok := fault.As(err)
			require.True(t, ok, err)
			require.Equal(t, fault.ClimateFileRejected, refused.Reason)
			require.Equal(t, test.field, refused.Field, refused.Message)
			for _, part := range test.says {
				require.Contains(t, refused.Message, part)
			}
		})
	}
}

// Faults of a series are said, and what was done about them.
func TestFaultsInASeries(t *testing.T) {
	from := time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC)
	of := func(n int, value func(int) string) []string {
		return strings.SplitAfter(strings.TrimSuffix(series{celsius, from, n, "2006-01-02 15:04", time.UTC, value}.String(), "\n"), "\n")
	}
	good := of(60, mild)
	change := func(line int, text string) string {
		lines := append([]string{}, good...)
		lines[line-1] = text
		return strings.Join(lines, "")
	}
	part := func(first, beyond int, value func(int) string) string {
		lines := append([]string{}, good...)
		for line := first; line < beyond; line++ {
			moment, _, _ := strings.Cut(lines[line-1], ",")
			lines[line-1] = moment + "," + value(line) + "\n"
		}
		return strings.Join(lines, "")
	}
	for name, test := range map[string]struct {
		file     string
		counts   map[string]int
		line     int
		says     string
		readings int
		leftOut  int64
	}{
		"nothing odd":                            {strings.Join(good, ""), map[string]int{}, 0, "", 60, 0},
		"a gap":                                  {strings.Join(append(append([]string{}, good[:11]...), good[14:]...), ""), map[string]int{climate.Gap: 1}, 12, "40 min", 57, 0},
		"two readings missing":                   {strings.Join(append(append([]string{}, good[:11]...), good[12:]...), ""), map[string]int{}, 0, "", 59, 0},
		"a spike in warmth":                      {change(12, "2026-01-05 01:40,41,80\n"), map[string]int{climate.Spike: 1}, 12, "jumps to 41 °C", 60, 0},
		"a spike in all":                         {change(12, "2026-01-05 01:40,41,20\n"), map[string]int{climate.Spike: 2}, 12, "jumps to 41 °C", 59, 1},
		"no spike: it stays":                     {change(12, "2026-01-05 01:40,29,80\n"), map[string]int{}, 0, "", 60, 0},
		"out of range":                           {change(12, "2026-01-05 01:40,85,80\n"), map[string]int{climate.OutOfRange: 1}, 12, "85 °C", 60, 0},
		"all out of range":                       {change(12, "2026-01-05 01:40,-41,101\n"), map[string]int{climate.OutOfRange: 2}, 12, "-41 °C", 59, 1},
		"hardly over 100 %":                      {change(12, "2026-01-05 01:40,20,100.5\n"), map[string]int{}, 0, "", 60, 0},
		"a line twice":                           {change(12, good[11]+good[11]), map[string]int{climate.Duplicate: 1}, 13, "repeats", 60, 1},
		"another line for it":                    {change(12, good[11]+"2026-01-05 01:40,20.01,80\n"), map[string]int{climate.Conflict: 1}, 13, "later line counts", 60, 1},
		"out of order":                           {change(12, good[12]) + "\n" + good[11], map[string]int{climate.Duplicate: 1, climate.OutOfOrder: 1}, 0, "", 60, 1},
		"unreadable":                             {change(12, "2026-01-05 01:40,warm,80\n"), map[string]int{climate.Unreadable: 1}, 12, `"warm"`, 59, 1},
		"a note of the logger":                   {change(12, "2026-01-05 01:45,,\n"), map[string]int{}, 0, "", 59, 0},
		"a sensor that stopped":                  {strings.Join(of(200, func(i int) string { return fmt.Sprintf("20.5,8%d", i%9) }), ""), map[string]int{climate.Stuck: 1}, 2, "temperature is 20.50", 200, 0},
		"saturated air":                          {strings.Join(of(200, func(i int) string { return fmt.Sprintf("20.%d,100", i%9) }), ""), map[string]int{climate.Stuck: 1}, 2, "saturated", 200, 0},
		"never cool at night":                    {strings.Join(of(200, func(i int) string { return fmt.Sprintf("3%d,8%d", 3+i%5, i%7) }), ""), map[string]int{climate.UnitSuspect: 1}, 1, "never below 33 °C", 200, 0},
		"hot":                                    {strings.Join(of(60, func(i int) string { return fmt.Sprintf("4%d,50", i%4) }), ""), map[string]int{climate.UnitSuspect: 1}, 1, "hot for a house", 60, 0},
		"one reading above what a house reaches": {change(12, "2026-01-05 01:40,56,80\n"), map[string]int{climate.OutOfRange: 1}, 12, "56 °C", 60, 0},
		"an hour in °F": {part(12, 18, func(i int) string { return fmt.Sprintf("5%d,80", 3+i%5) }),
			map[string]int{climate.UnitSuspect: 1, climate.OutOfRange: 2}, 12, "lines 12 to 17, from 2026-01-05 01:40 +00:00 to 2026-01-05 02:30 +00:00: 6 readings in a row are above 50 °C, up to 57 °C", 60, 0},
		"a part in °F that is not that hot": {part(40, 61, func(i int) string { return fmt.Sprintf("4%d.5,80", 4+i%5) }),
			map[string]int{climate.UnitSuspect: 1}, 40, "line 40: from 2026-01-05 06:10 +00:00 to 2026-01-05 06:20 +00:00 the temperature goes from", 60, 0},
		"and back again": {part(12, 18, func(i int) string { return fmt.Sprintf("4%d.5,80", 4+i%5) }),
			map[string]int{climate.UnitSuspect: 2}, 12, "goes from", 60, 0},
		"a sensor that broke":               {part(12, 18, func(int) string { return "999,80" }), map[string]int{climate.OutOfRange: 6}, 12, "999 °C", 60, 0},
		"two hot readings, a spike no more": {part(12, 14, func(int) string { return "54,80" }), map[string]int{}, 0, "", 60, 0},
	} {
		t.Run(name, func(t *testing.T) {
			file, err := climate.Parse(strings.NewReader(test.file), climate.Format{Zone: climate.UTC}, time.UTC)
			require.NoError(t, err)
			require.Equal(t, test.counts, file.FaultCounts, file.Faults)
			require.Len(t, file.Readings, test.readings)
			require.Equal(t, test.leftOut, file.LeftOut)
			if test.line > 0 {
				require.Equal(t, test.line, file.Faults[0].Line, file.Faults)
				require.Contains(t, file.Faults[0].Sentence, test.says)
			}
			ascending(t, file.Readings)
		})
	}
}

func ascending(t testing.TB, readings []climate.Reading) {
	t.Helper()
	for i := 1; i < len(readings); i++ {
		require.Less(t, readings[i-1].Time, readings[i].Time)
	}
}

// A logger that is set to another interval leaves no gap; what is missing then is
// one all the same.
func TestALoggerIsSetToAnotherInterval(t *testing.T) {
	var text strings.Builder
	text.WriteString(celsius + "\n")
	moment := time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC)
	for i := range 400 {
		moment = moment.Add(time.Minute)
		if i >= 300 {
			moment = moment.Add(14 * time.Minute)
		}
		if i == 350 {
			moment = moment.Add(time.Hour)
		}
		fmt.Fprintf(&text, "%s,%s\n", moment.Format("2006-01-02 15:04"), mild(i))
	}
	file, err := climate.Parse(strings.NewReader(text.String()), climate.Format{Zone: climate.UTC}, time.UTC)
	require.NoError(t, err)
	require.Equal(t, map[string]int{climate.Gap: 1}, file.FaultCounts, file.Faults)
	require.Equal(t, 352, file.Faults[0].Line)
}

// A file that runs from new to old is turned round and says nothing of it.
func TestNewestFirst(t *testing.T) {
	text := series{celsius, time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC), 60, "2006-01-02 15:04", time.UTC, mild}.String()
	lines := strings.SplitAfter(text, "\n")
	turned := lines[0]
	for i := len(lines) - 1; i > 0; i-- {
		turned += lines[i]
	}
	file, err := climate.Parse(strings.NewReader(turned), climate.Format{}, time.UTC)
	require.NoError(t, err)
	require.Empty(t, file.Faults)
	straight, err := climate.Parse(strings.NewReader(text), climate.Format{}, time.UTC)
	require.NoError(t, err)
	require.Equal(t, straight.Readings, file.Readings)
}

// Clock changes: a logger on the nursery's clock, on winter time, and on UTC, in
// spring and in autumn, in two countries.
func TestClockChanges(t *testing.T) {
	for _, place := range []struct {
		zone           string
		spring, autumn time.Time
		winter         time.Duration
	}{
		{"Europe/Amsterdam", time.Date(2026, 3, 29, 1, 0, 0, 0, time.UTC), time.Date(2026, 10, 25, 1, 0, 0, 0, time.UTC), time.Hour},
		{"America/New_York", time.Date(2026, 3, 8, 7, 0, 0, 0, time.UTC), time.Date(2026, 11, 1, 6, 0, 0, 0, time.UTC), -5 * time.Hour},
	} {
		nursery := zone(t, place.zone)
		winter := time.FixedZone("winter", int(place.winter.Seconds()))
		for _, season := range []struct {
			name   string
			change time.Time
		}{{"spring", place.spring}, {"autumn", place.autumn}} {
			from := season.change.Add(-24 * time.Hour)
			written := func(on *time.Location) string {
				return series{celsius, from, 288, "2006-01-02 15:04", on, mild}.String()
			}
			reversed := func(text string) string {
				lines := strings.SplitAfter(strings.TrimSuffix(text, "\n"), "\n")
				turned := lines[0]
				for i := len(lines) - 1; i > 0; i-- {
					turned += strings.TrimSuffix(lines[i], "\n") + "\n"
				}
				return turned
			}
			all := make([]int64, 288)
			for i := range all {
				all[i] = from.Add(time.Duration(i) * 10 * time.Minute).Unix()
			}
			for _, test := range []struct {
				name, file, zone, used string
				// whole says that every reading got its moment.
				whole bool
				says  map[string]string // by season
			}{
				{"its clock, read as its clock", written(nursery), "", climate.Local, true, map[string]string{"autumn": "told the two passes apart"}},
				{"its clock, newest first", reversed(written(nursery)), climate.Local, climate.Local, true, map[string]string{"autumn": "told the two passes apart"}},
				{"winter time, read as winter time", written(winter), climate.Standard, climate.Standard, true, nil},
				{"UTC, read as UTC", written(time.UTC), climate.UTC, climate.UTC, true, nil},
				{"winter time, read as its clock", written(winter), "", climate.Local, false, map[string]string{
					"spring": "which the nursery's clock skips", "autumn": "only once in the file"}},
				{"its clock, read as winter time", written(nursery), climate.Standard, climate.Standard, false, map[string]string{
					"autumn": "seems to follow it"}},
			} {
				t.Run(strings.Join([]string{place.zone, season.name, test.name}, "/"), func(t *testing.T) {
					file, err := climate.Parse(strings.NewReader(test.file), climate.Format{Zone: test.zone}, nursery)
					require.NoError(t, err)
					require.Equal(t, test.used, file.Format.Zone)
					ascending(t, file.Readings)
					var said []string
					for _, f := range file.Faults {
						if f.Kind == climate.ClockChange {
							said = append(said, f.Sentence)
						}
					}
					if want := test.says[season.name]; want != "" {
						require.Len(t, said, 1)
						require.Contains(t, said[0], want)
					} else {
						require.Empty(t, said)
					}
					if !test.whole {
						return
					}
					var got []int64
					for _, r := range file.Readings {
						got = append(got, r.Time)
					}
					require.Equal(t, all, got)
					require.Empty(t, file.FaultCounts[climate.Gap])
				})
			}
		}
	}
}

// An hourly file has the repeated hour twice with the same time of day.
func TestHourlyFileInTheRepeatedHour(t *testing.T) {
	file, err := climate.Parse(strings.NewReader(celsius+"\n2026-10-25 00:00,10,80\n2026-10-25 01:00,11,81\n2026-10-25 02:00,12,82\n2026-10-25 02:00,12,82\n"+
		"2026-10-25 03:00,13,83\n2026-10-25 04:00,14,84\n"), climate.Format{}, zone(t, "Europe/Amsterdam"))
	require.NoError(t, err)
	require.Len(t, file.Readings, 6)
	require.Equal(t, map[string]int{climate.ClockChange: 1}, file.FaultCounts)
}

// What a file does not say and the caller does not either is said in the answer.
func TestFormatAsUsed(t *testing.T) {
	file, err := climate.Parse(strings.NewReader("Date;Time;Temp (°F);RH (%);Leaf wetness;Battery\n13/01/2026;10:00;70;80;0;99\n"), climate.Format{}, zone(t, "Europe/Amsterdam"))
	require.NoError(t, err)
	require.Equal(t, climate.Format{DateColumn: "Date", TimeColumn: "Time", TemperatureColumn: "Temp (°F)", HumidityColumn: "RH (%)",
		WetnessColumn: "Leaf wetness", TemperatureUnit: climate.Fahrenheit, DateOrder: climate.DayFirst, Zone: climate.Local}, file.Format)
	require.Equal(t, "2026-01-13 09:00", file.Readings[0].At().Format("2006-01-02 15:04"))
	require.Zero(t, file.IntervalSeconds)

	file, err = climate.Parse(strings.NewReader("time,leaf wetness,temp (°C)\n2026-01-05T10:00Z,15,20\n"), climate.Format{}, time.UTC)
	require.NoError(t, err)
	require.Empty(t, file.Format.Zone, "offsets stand in the file")
	humid, err := climate.Parse(strings.NewReader("time,humidity (g/kg),temp (°C)\n2026-01-05T10:00Z,12,20\n"), climate.Format{}, time.UTC)
	require.NoError(t, err)
	require.Empty(t, humid.Format.HumidityColumn, "it is no relative humidity")
	require.Empty(t, file.Format.WetnessColumn, "nobody says what 15 means")
	require.Equal(t, map[string]int{climate.UnitSuspect: 1}, file.FaultCounts)
}

func FuzzParse(f *testing.F) {
	f.Add([]byte("time,temp (°C),rh\n2026-10-25 02:30,20,80\n2026-10-25 02:30,21,80\n"), "", "")
	f.Add([]byte("Date;Time;Temp (°F);Wet\n13/01/2026;10:00 PM;70,5;1\n"), "DMY", "STANDARD")
	f.Add([]byte("unix,temp c,rh\n1769000000,20,80\n"), "", "UTC")
	f.Add([]byte("\xff\xfet\x00i\x00m\x00e\x00"), "MDY", "LOCAL")
	f.Add([]byte("\"time\",\"temp\n(C)\",rh %\n\"2026-01-05 10:00:00.5+02:00\",\"-0,5\",\"\"\"8\"\n"), "", "")
	f.Add([]byte("timestamp,temp c,lwd min\n2026-01-05 24:00,20,5\n2026-01-05 23:50,20,9999\n"), "YMD", "LOCAL")
	nursery := zone(f, "Europe/Amsterdam")
	f.Fuzz(func(t *testing.T, data []byte, order, in string) {
		file, err := climate.Parse(bytes.NewReader(data), climate.Format{DateOrder: order, Zone: in}, nursery)
		if err != nil {
			_, known := fault.As(err)
			require.True(t, known, err)
			return
		}
		ascending(t, file.Readings)
		require.LessOrEqual(t, len(file.Faults), climate.MaxFaults)
		for _, r := range file.Readings {
			require.True(t, r.Temperature == none || (r.Temperature >= -4000 && r.Temperature <= 7000), r)
			require.True(t, r.Humidity == none || (r.Humidity >= 0 && r.Humidity <= 10000), r)
			require.True(t, r.Wetness == none || (r.Wetness >= 0 && r.Wetness <= 10000), r)
			require.False(t, r.Temperature == none && r.Humidity == none && r.Wetness == none, r)
		}
	})
}

// The example of the documentation is read without a fault.
func TestTheExampleOfTheDocumentation(t *testing.T) {
	text, err := os.ReadFile("../../../docs/climate-example.csv")
	require.NoError(t, err)
	file, err := climate.Parse(bytes.NewReader(text), climate.Format{}, zone(t, "Europe/Amsterdam"))
	require.NoError(t, err)
	require.Empty(t, file.Faults)
	require.Len(t, file.Readings, 13)
	require.Equal(t, climate.Reading{Time: time.Date(2026, 3, 1, 17, 30, 0, 0, time.UTC).Unix(), Temperature: 2163, Humidity: 8125, Wetness: 10000}, file.Readings[3])
}
