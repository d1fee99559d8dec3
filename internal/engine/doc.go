// Package engine connects velamen to Temporal, which holds the position of
// every program in its process. PostgreSQL stays the record: a workflow holds
// ids and dates, never the only copy of a fact.
//
// The same client is used against the server that runs inside our own process
// (package embedded) and against an external cluster; only the address and the
// credentials differ.
package engine
