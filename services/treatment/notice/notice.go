package notice

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"velamen/internal/jurisdiction"
	"velamen/internal/page"
	"velamen/services/treatment/entry"
)

// Sheet is a kind of sheet.
type Sheet string

// The sheets.
const (
	// EntranceSign is a warning for an entrance. It is not the sign that the law
	// prescribes, and says so.
	EntranceSign Sheet = "entrance-sign"
	// CentralDisplay is what was applied (40 CFR 170.311(b)).
	CentralDisplay Sheet = "central-display"
	// SpokenWords is what to say to people (40 CFR 170.409).
	SpokenWords Sheet = "spoken-words"
	// WashingSupplies is what people wash with, to tick off (40 CFR 170.411 and
	// 170.509, from memory).
	WashingSupplies Sheet = "washing-supplies"
	// Physician is what somebody must know who treats a person exposed.
	Physician Sheet = "physician"
)

// Sheets returns all of them.
func Sheets() []Sheet {
	return []Sheet{EntranceSign, CentralDisplay, SpokenWords, WashingSupplies, Physician}
}

// sheets are what draws each. Planned is the title while the application is not done.
var sheets = map[Sheet]struct {
	title, planned string
	draw           func(*drawing)
}{
	EntranceSign:    {"sign.title", "sign.title", (*drawing).sign},
	CentralDisplay:  {"display.title", "display.title-planned", (*drawing).display},
	SpokenWords:     {"spoken.title", "spoken.title", (*drawing).spoken},
	WashingSupplies: {"supplies.title", "supplies.title", (*drawing).supplies},
	Physician:       {"physician.title", "physician.title", (*drawing).physician},
}

// Nursery is where it was applied.
type Nursery struct {
	// DisplayName is what people call it.
	DisplayName string
	// EmergencyPhone and EmergencyCare are the telephone number and the name and address
	// of medical care; empty when not entered.
	EmergencyPhone, EmergencyCare string
	// Law is the law, the time zone and the houses.
	Law entry.Nursery
}

// Treatment is an application in one house.
type Treatment struct {
	// Entry is the application as far as entry goes. Its times are those planned, and it
	// has no id, where it is planned.
	Entry entry.Application
	// Planned is true while it is not done, and the sheet says so.
	Planned bool
	// Benches treated; when there are none, what was treated is that of Entry in words.
	Benches []string
	// Crops are the plants treated; none when they are not known.
	Crops []string
	// Products of the mix.
	Products []Product
}

// Product is a product of the mix.
type Product struct {
	Name, RegistrationNumber string
	Actives                  []Active
	// FirstAid is that of the label, word for word; empty when not entered.
	FirstAid string
	// SafetyDataSheet is its number or date and where it is kept; empty when not entered.
	SafetyDataSheet string
	// Recorded is true when the name, the number and the active ingredients are those
	// that were recorded with the application, false when they are those of now.
	Recorded bool
}

// Active is an active ingredient of a product.
type Active struct {
	Name string
	// Content of it in words, for example "500 g/kg"; empty when it is not known.
	Content string
}

// Laid is a sheet.
type Laid struct {
	// PDF is the file.
	PDF []byte
	// Missing are the facts that the sheet asks for and that nobody entered, in English;
	// the sheet says so in both languages.
	Missing []string
}

// Lay draws a sheet: a part for each treatment of one application, with pages numbered in it.
// It returns an error for an unknown sheet and for no house.
func Lay(sheet Sheet, nursery Nursery, treatments []Treatment) (Laid, error) {
	kind, known := sheets[sheet]
	if !known {
		return Laid{}, fmt.Errorf("%q is no sheet", sheet)
	}
	if len(treatments) == 0 {
		return Laid{}, fmt.Errorf("no house was treated")
	}
	words := printed()
	present := treatments[0]
	title := kind.title
	if present.Planned {
		title = kind.planned
	}
	var missing []string
	data, err := page.PDF(page.Document{
		Paper: paperOf(nursery.Law.Jurisdiction), Title: words.both(title), Written: written(treatments),
		Foot: func(number, of int) string {
			count := []string{"number", fmt.Sprint(number), "of", fmt.Sprint(of)}
			return strings.Join([]string{words.both(title), nameOf(nursery, present), words.both("page", count...)}, ", ")
		},
		Body: func(pages *page.Pages) {
			missing = nil
			for i, treatment := range treatments {
				if i > 0 {
					// The foot of the part before is drawn now.
					pages.Part()
				}
				present = treatment
				kind.draw(newDrawing(pages, nursery, treatment, title, &missing))
			}
		},
	})
	return Laid{PDF: data, Missing: missing}, err
}

// written is the moment that the file carries: the last that is known of what is applied.
func written(treatments []Treatment) time.Time {
	var last time.Time
	for _, treatment := range treatments {
		for _, moment := range []time.Time{treatment.Entry.Start, treatment.Entry.End} {
			if moment.After(last) {
				last = moment
			}
		}
	}
	return last
}

// paperOf is the paper that printers of a country hold. Common practice, no source.
func paperOf(code string) page.Paper {
	country, _ := jurisdiction.Country(code)
	if country == "US" || country == "CA" {
		return page.Letter
	}
	return page.A4
}

// houseOf returns the house treated; its id alone where the nursery does not have it.
func houseOf(nursery Nursery, treatment Treatment) entry.House {
	houses := nursery.Law.Houses
	i := slices.IndexFunc(houses, func(h entry.House) bool { return h.ID == treatment.Entry.House })
	if i < 0 {
		return entry.House{ID: treatment.Entry.House}
	}
	return houses[i]
}

func nameOf(nursery Nursery, treatment Treatment) string {
	house := houseOf(nursery, treatment)
	if house.Name != "" {
		return house.Name
	}
	return house.ID
}
