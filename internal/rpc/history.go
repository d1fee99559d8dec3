package rpc

import "velamen/internal/trail"

// History returns what is kept about the requests of people.
func History() trail.Account {
	return trail.Account{
		Sources: []trail.Source{{
			Table: "foundation.request", Kind: "request", What: "'called ' || t.method", Time: "t.create_time", Who: "t.person",
			People: []string{"person"}, Hide: []string{"content", "response"},
		}},
		LeftOut: []trail.LeftOut{
			{
				Table: "foundation.request", Columns: []string{"content", "response"}, About: []trail.Kind{trail.Person},
				Reason: "What was asked and answered in each request of the last days, kept so that a retry gets the same answer: what came of it is in the other records.",
			},
			{
				Table: "foundation.outbox_event", Columns: []string{"payload"}, About: []trail.Kind{trail.Person},
				Reason: "Messages on their way between the parts of velamen: they end when they have been delivered, and tell what the other records hold.",
			},
		},
	}
}
