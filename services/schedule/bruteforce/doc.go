// Package bruteforce finds the best plan of a tiny problem by trying all of them, so
// that tests have an answer that no cleverness can have spoilt. It reads package model
// and nothing else. Production code does not use it.
//
// It takes the subsets of jobs that may be placed from the least weight left out to
// the most, and the first of them that has a plan holds the best one. Within a subset
// it places the jobs in the order in which they start, at every minute, in every way,
// by every person, with and without a new load. In this order all that comes before
// a job is known when it is placed, so each rule can be looked at as it is written.
package bruteforce
