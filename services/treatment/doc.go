// Package treatment runs the program of each outbreak.
//
// PostgreSQL is the record: every change of a program is an event in
// treatment.program_event, written in one transaction with the program's new
// state, the application it may hold, and the outbox events that follow from it.
// What a change leads to is decided by one pure function, Apply in program.go.
// The Temporal workflow in workflow.go applies the same events to the same state;
// it holds the position in the process and keeps the timers. When its whole
// history is lost, a new workflow loads the state and goes on.
package treatment
