// Package endtoend holds the tests of velamen as its users meet it: the real
// binary as a process of its own, called over gRPC and through its command line,
// killed in the middle of its work, started again, and refused what it needs.
//
// The tests build the binary, or take the one that VELAMEN_BINARY names.
// VELAMEN_KILL_ROUNDS says how often the server is killed; the default keeps a
// run of all tests short. VELAMEN_SAVE_HISTORIES=1 records the histories that
// services/treatment replays; it adds files and never replaces one.
package endtoend
