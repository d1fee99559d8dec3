package records

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode"

	recordsv1 "velamen/gen/velamen/records/v1"
	typev1 "velamen/gen/velamen/type/v1"
)

// pageWidth is how many columns the text report takes at most: what a landscape
// A4 page holds in a fixed-width face of 10 points.
const pageWidth = 120

// gap stands between two columns.
const gap = "  "

// column is a column of a text table; cells are wrapped to its width.
type column struct {
	title string
	width int
}

// entryColumns and their gaps take the whole page.
var entryColumns = []column{
	{"Entry", 5},
	{"Start, end, by", 22},
	{"Product, registration", 22},
	{"Active ingredient (FRAC)", 26},
	{"Product, mix, area", 18},
	{"Method, target, plants", 17},
}

var totalColumns = []column{{"Active ingredient", 40}, {"FRAC", 6}, {"Amount", 24}}

// writeText writes a use record as plain text of at most pageWidth columns, in
// the nursery's time zone.
func writeText(record *recordsv1.UseRecord, zone *time.Location) []byte {
	var page page
	page.line("PESTICIDE USE RECORD")
	page.line("")
	for _, fact := range [][2]string{
		{"Nursery", record.GetNurseryDisplayName()},
		{"House", fmt.Sprintf("%s (%s)", record.GetHouseDisplayName(), lastPart(record.GetHouse()))},
		{"Period", record.GetFromDate().GetValue() + " to " + record.GetToDate().GetValue()},
		{"Time zone", record.GetTimeZone()},
	} {
		page.paragraph(fmt.Sprintf("%-9s  ", fact[0]), fact[1])
	}
	page.line("")
	if len(record.GetEntries()) == 0 {
		page.line("No application is on record for this house in this period.")
	} else {
		writeEntries(&page, record, zone)
		writeTotals(&page, record)
	}
	page.line("")
	page.paragraph("", record.GetCaution())
	return page.Bytes()
}

func writeEntries(page *page, record *recordsv1.UseRecord, zone *time.Location) {
	page.header(entryColumns)
	for i, entry := range record.GetEntries() {
		if i > 0 {
			page.line("")
		}
		page.row(entryColumns, entryCells(entry, zone))
		for _, remark := range append(dayRemarks(entry), remarks(entry)...) {
			page.paragraph(strings.Repeat(" ", entryColumns[0].width)+gap, remark)
		}
	}
	page.line("")
}

// dayRemarks are the facts of the day that have no column, in one line; none where nobody
// entered any.
func dayRemarks(entry *recordsv1.Entry) []string {
	var texts []string
	add := func(what, text string) {
		if text != "" {
			texts = append(texts, what+" "+text)
		}
	}
	place := entry.GetPlace()
	if place == "" {
		place = strings.Join(entry.GetBenches(), ", ")
	}
	add("Place", place)
	if entry.GetPlants() > 0 {
		add("plants", strconv.FormatInt(entry.GetPlants(), 10))
	}
	add("growth stage (BBCH)", entry.GetGrowthStage())
	add("form", entry.GetForm())
	add("droplets", entry.GetDroplets())
	add("certificate", entry.GetApplicatorCertificate())
	if s := entry.GetSupervisor(); s != nil {
		add("supervised by", s.GetDisplayName())
		add("whose certificate is", s.GetCertificate())
	}
	if len(texts) == 0 {
		return nil
	}
	line := strings.Join(texts, "; ")
	return []string{strings.ToUpper(line[:1]) + line[1:] + "."}
}

// remarks are what stands below an entry: that it came late, what it corrects, and which
// rules it went against.
func remarks(entry *recordsv1.Entry) []string {
	var texts []string
	if late := entry.GetLateFor(); late != "" {
		texts = append(texts, "LATE, entered after the records of "+lastPart(late)+" were closed.")
	}
	if correction := entry.GetCorrection(); correction != nil {
		texts = append(texts, fmt.Sprintf("Takes the place of entry %s (%s): %s",
			lastPart(correction.GetCorrects()), lastPart(correction.GetPerson()), correction.GetNote()))
	}
	for _, override := range entry.GetOverrides() {
		texts = append(texts, fmt.Sprintf("RULE OVERRIDDEN, %s (%s): %s", override.GetRule(), lastPart(override.GetPerson()), override.GetNote()))
	}
	if note := entry.GetBreachNote(); note != "" {
		texts = append(texts, "BREACH, applied against a rule or outside a program: "+note)
	}
	if broken := entry.GetBreachRules(); len(broken) > 0 {
		texts = append(texts, "Rules that it broke: "+strings.Join(broken, ", "))
	}
	return texts
}

// entryCells returns the cells of an entry; a cell is a list of lines.
func entryCells(entry *recordsv1.Entry, zone *time.Location) [][]string {
	const minute = "2006-01-02 15:04-07:00"
	product := []string{entry.GetProductDisplayName(), entry.GetRegistrationNumber()}
	if entry.GetRestrictedUse() {
		product = append(product, "RESTRICTED USE")
	}
	var actives []string
	for _, active := range entry.GetActives() {
		actives = append(actives, fmt.Sprintf("%s (%s)", active.GetActiveIngredient(), active.GetFracCode()), "  "+measured(active.GetAmount()))
	}
	return [][]string{
		{fmt.Sprintf("%5d", entry.GetSequence())},
		{
			entry.GetStartTime().AsTime().In(zone).Format(minute),
			entry.GetEndTime().AsTime().In(zone).Format(minute),
			entry.GetApplicatorDisplayName(),
		},
		product,
		actives,
		{
			measured(entry.GetProductAmount()), measured(entry.GetMixVolume()), measured(entry.GetArea()),
			"REI " + interval(entry.GetRestrictedEntryInterval()),
		},
		append([]string{methodWord(entry), entry.GetTarget()}, entry.GetCrops()...),
	}
}

// interval returns a restricted-entry interval. Where the label lacks it nobody
// may enter on a guess.
func interval(hours *typev1.Quantity) string {
	if hours == nil {
		return "unknown: keep out"
	}
	return measured(hours)
}

func writeTotals(page *page, record *recordsv1.UseRecord) {
	page.line("TOTALS")
	page.line("")
	page.header(totalColumns)
	for _, total := range record.GetTotals() {
		page.row(totalColumns, [][]string{{total.GetActiveIngredient()}, {total.GetFracCode()}, {measured(total.GetAmount())}})
	}
	page.line("")
	page.line("REI: restricted-entry interval, the longest of the mix. FRAC: resistance group on the day.")
}

// page is a text report that is being written.
type page struct{ bytes.Buffer }

func (p *page) line(text string) {
	p.WriteString(strings.TrimRight(text, " "))
	p.WriteByte('\n')
}

// paragraph writes a text after a lead-in, wrapped to the page and indented as
// far as the lead-in is wide.
func (p *page) paragraph(lead, text string) {
	for _, line := range wrap(text, pageWidth-len(lead)) {
		p.line(lead + line)
		lead = strings.Repeat(" ", len(lead))
	}
}

func (p *page) header(columns []column) {
	titles, rules := make([][]string, len(columns)), make([]string, len(columns))
	for i, column := range columns {
		titles[i], rules[i] = []string{column.title}, strings.Repeat("-", column.width)
	}
	p.row(columns, titles)
	p.line(strings.Join(rules, gap))
}

// row writes cells side by side, each wrapped to its column.
func (p *page) row(columns []column, cells [][]string) {
	wrapped := make([][]string, len(cells))
	height := 0
	for i, cell := range cells {
		for _, text := range cell {
			wrapped[i] = append(wrapped[i], wrap(text, columns[i].width)...)
		}
		height = max(height, len(wrapped[i]))
	}
	for y := range height {
		texts := make([]string, len(columns))
		for i, column := range columns {
			text := ""
			if y < len(wrapped[i]) {
				text = wrapped[i][y]
			}
			texts[i] = pad(text, column.width)
		}
		p.line(strings.Join(texts, gap))
	}
}

func pad(text string, width int) string {
	return text + strings.Repeat(" ", max(0, width-len([]rune(text))))
}

// wrap breaks a text into lines of at most width characters. Nothing is cut off. Control characters become spaces, so that a name
// cannot draw over the table; leading spaces of the text are kept.
func wrap(text string, width int) []string {
	clean := strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, text)
	rest := []rune(strings.TrimRight(clean, " "))
	var lines []string
	for len(rest) > width {
		at := breakAt(rest, width)
		lines = append(lines, strings.TrimRight(string(rest[:at]), " "))
		rest = []rune(strings.TrimLeft(string(rest[at:]), " "))
	}
	return append(lines, string(rest))
}

// breakAt returns where a line of at most width characters ends: at the last
// space, else behind the last hyphen, else in the middle of the word.
func breakAt(rest []rune, width int) int {
	for at := width; at > 0; at-- {
		if rest[at] == ' ' {
			return at
		}
	}
	for at := width; at > 0; at-- {
		if rest[at-1] == '-' {
			return at
		}
	}
	return width
}
