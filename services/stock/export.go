package stock

import (
	"strconv"
	"strings"

	"velamen/internal/quantity"
)

// cells are the house as a row of the houses file.
func (h House) cells() []string {
	return []string{
		h.ID, h.DisplayName, h.Area.Plain(), string(h.Area.Unit), amountCell(h.Volume), wordOf(h.Covering, coveringWords),
		amountCell(h.FanCapacity), strconv.FormatBool(h.PassiveVents), strings.Join(h.Adjoining, " "),
		h.SiteNumber, h.FacilityNumber, h.LegalLocation, amountCell(h.PlantedArea), string(h.PlantedArea.Unit),
	}
}

// cells are the bench as a row of the benches file.
func (b Bench) cells() []string {
	neighbours := make([]string, len(b.Neighbours))
	for i, neighbour := range b.Neighbours {
		neighbours[i] = neighbour.House + "/" + neighbour.Bench
	}
	return []string{
		b.House, b.ID, b.DisplayName, b.Area.Plain(), strconv.FormatBool(b.Isolation), b.WaterLine, strings.Join(neighbours, " "),
		amountCell(b.Place.X), amountCell(b.Place.Y), amountCell(b.Place.Length), amountCell(b.Place.Width),
	}
}

// cells are the lot as a row of the lots file.
func (l Lot) cells() []string {
	return []string{
		l.ID, l.BotanicalName, l.EPPOCode, l.Cultivar, l.Container, l.GrowthStage, l.UnitValue.Amount, l.UnitValue.Currency,
		l.House, l.Bench, strconv.FormatInt(l.Plants, 10), wordOf(l.Origin, originWords),
	}
}

func amountCell(q quantity.Quantity) string {
	if q.IsZero() {
		return ""
	}
	return q.Plain()
}

// wordOf is how a file writes a value; one that has no word is an empty cell.
func wordOf[V comparable](value V, words []word[V]) string {
	for _, w := range words {
		if w.value == value {
			return w.name
		}
	}
	return ""
}
