package products

import "velamen/internal/trail"

// History returns what this service keeps about people and containers.
func History() trail.Account {
	container := trail.NameOf("products", "product", "containers", "container")
	return trail.Account{Sources: []trail.Source{
		{
			Table: "products.container", Kind: "container", What: "t.batch", Name: trail.NameOf("products", "product", "containers", "id"),
			About: map[trail.Kind]string{trail.Container: "t.product = @product AND t.id = @id"},
		},
		{
			Table: "products.product", Kind: "product", What: "t.display_name", Name: trail.NameOf("products", "id"),
			About: map[trail.Kind]string{trail.Container: "t.id = @product"},
		},
		{
			Table: "products.container_event", Kind: "container event", Time: "t.event_time", Who: "t.person", Name: container,
			What:   "lower(t.kind) || ' ' || t.change || ' of ' || t.product || ', container ' || t.container",
			People: []string{"person"}, About: map[trail.Kind]string{trail.Container: "t.product = @product AND t.container = @id"},
		},
		{
			Table: "products.used", Kind: "product used", Time: "t.use_time", Who: "t.person", Name: trail.NameOf("products", "product"),
			What:   "t.amount || ' ' || t.unit || ' of ' || t.product || ' used'",
			People: []string{"person"},
			About: map[trail.Kind]string{trail.Container: `EXISTS (SELECT FROM products.container_event e
				WHERE e.nursery = t.nursery AND e.application = t.application AND e.line = t.line
					AND e.product = @product AND e.container = @id)`},
		},
	}}
}
