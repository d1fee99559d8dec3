// Package search makes plans: it places each job of a problem at a start, in a way and
// with a person, so that the rules of package model hold and the cost is low.
//
// # How
//
// A job goes where it costs least among the places that are free: the earliest start,
// the starts that keep a closure out of working hours, those that join a load, those
// that people were told. That gives a first plan. Then a few jobs that have to do with
// each other are taken out and put back in another order, again and again; what is
// not better is undone, but for small steps back that lead out of a dead end. Plain
// shops, where only the order of jobs on stations counts, are searched by that order.
//
// Of few jobs all plans are tried after the first round, in a fixed number of steps:
// starts that only pay when several jobs move together are found so. When the steps
// suffice the plan is proven, else the search goes on as before.
//
// A plan keeps every rule from the first one on, because a job only ever goes where
// it fits. A job that fits nowhere is left out and tried again.
//
// # The same again
//
// The same problem, seed and number of rounds give the same plan on any number of
// processors. Four islands search apart, each with random numbers of its own, and
// meet after a fixed amount of work, which is a round. Time only decides how many
// rounds there are. A round that is cut off leaves nothing.
package search
