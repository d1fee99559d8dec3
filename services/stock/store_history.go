package stock

import "velamen/internal/trail"

// placesOf reads where the lots of a house stood in it: from when, until when (absent
// while it stands there), and on which bench.
const placesOf = `(
	SELECT place.* FROM (
		SELECT e.nursery, e.lot, e.house, e.bench, e.event_time AS since,
			lead(e.event_time) OVER (PARTITION BY e.nursery, e.lot ORDER BY e.event_time, e.id) AS until
		FROM stock.lot_event e
		WHERE e.nursery = @nursery AND e.lot IN (SELECT h.lot FROM stock.lot_event h WHERE h.nursery = @nursery AND h.house = @id)
			AND (e.kind = 'MOVED' OR e.id = (SELECT min(f.id) FROM stock.lot_event f WHERE f.nursery = e.nursery AND f.lot = e.lot))
	) place WHERE place.house = @id) t`

// handled reads handlings with the lots that were handled.
const handled = `(
	SELECT h.*, ARRAY(SELECT l.lot FROM stock.handling_lot l
		WHERE l.nursery = h.nursery AND l.handling = h.id ORDER BY l.position) AS lots
	FROM stock.handling h) t`

// History returns what this service keeps about people, houses and lots.
func History() trail.Account {
	lot := trail.NameOf("lots", "lot")
	return trail.Account{Sources: append(placeHistory(), []trail.Source{
		{
			Table: "stock.lot", Kind: "lot", What: "t.botanical_name || ' ' || t.cultivar", Name: trail.NameOf("lots", "id"),
			About: map[trail.Kind]string{trail.Lot: "t.id = @id", trail.House: "t.house = @id"},
		},
		{
			Table: "stock.lot_event", Kind: "plants", Name: lot, Time: "t.event_time", Who: "t.person",
			What:   "lower(replace(t.kind, '_', ' ')) || ' in lot ' || t.lot || ' at ' || t.house || '/' || t.bench || ', plants: ' || t.plants",
			People: []string{"person"}, About: map[trail.Kind]string{trail.Lot: "t.lot = ANY(@lots::text[])", trail.House: "t.house = @id"},
		},
		{
			Table: "stock.handling", From: handled, Kind: "handling", What: "t.work || ' by ' || t.worker", Time: "t.start_time",
			Who: "t.worker", Name: trail.NameOf("handlings", "id"), People: []string{"worker", "person"},
			About: map[trail.Kind]string{trail.Lot: "@id = ANY(t.lots)"},
		},
		{
			Table: "stock.restriction", Kind: "restriction", What: "'restricted under ' || t.duty", Time: "t.start_time", Name: lot,
			About: map[trail.Kind]string{trail.Lot: "t.lot = @id"},
		},
	}...)}
}

// placeHistory is what is kept about houses as places.
func placeHistory() []trail.Source {
	either := func(a, b string) map[trail.Kind]string {
		return map[trail.Kind]string{trail.House: "@id IN (t." + a + ", t." + b + ")"}
	}
	return []trail.Source{
		{
			Table: "stock.house", Kind: "house", What: "t.display_name", Name: trail.NameOf("houses", "id"),
			About: map[trail.Kind]string{trail.House: "t.id = @id"},
		},
		{
			Table: "stock.bench", Kind: "bench", What: "t.display_name", Name: trail.NameOf("houses", "house", "benches", "id"),
			About: map[trail.Kind]string{trail.House: "t.house = @id"},
		},
		{
			Table: "stock.adjoining", Kind: "adjoining house", What: "t.house_a || ' and ' || t.house_b || ' share air'",
			About: either("house_a", "house_b"),
		},
		{
			Table: "stock.neighbour_bench", Kind: "neighbouring benches", About: either("house_a", "house_b"),
			What: "t.house_a || '/' || t.bench_a || ' is beside ' || t.house_b || '/' || t.bench_b",
		},
		{
			Table: "stock.lot_event", From: placesOf, Kind: "stay", Time: "t.since", Name: trail.NameOf("lots", "lot"),
			What:  "'lot ' || t.lot || ' came to stand on ' || t.bench",
			About: map[trail.Kind]string{trail.House: "true"},
		},
	}
}
