// Package rules holds an application to every rule of its labels, of the law, of
// resistance management and of the trade: pure functions from (application,
// history, labels, store, conditions) to verdicts. What can be data is data, in
// data/*.yaml, each file with its source and date. The product label and local law
// decide over all of it.
package rules
