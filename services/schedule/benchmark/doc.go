// Package benchmark is what the search for plans is measured with: problems of the
// literature whose best plans are known, nurseries that are made up from a seed, and
// the plans that a nursery would make without a search.
//
// # Published problems
//
// The numbers of the literature are typed in as tables, each with its paper, and are
// turned into the same model.Problem that a nursery gives, so that they measure the
// engine which plans nurseries and no other. One unit of time is one minute. All jobs
// must be placed: any plan that leaves one out is worse than any that does not.
//
//	job shop            a machine is a station, an operation a job with one way, and
//	                    the order of operations is lags of 0 from end to start
//	flexible job shop   the same with one way for each machine that can do it
//	project             a resource is a pool and an activity a job that asks for it
//	project with lags   the same, and lags of either sign from start to start
//	weighted lateness   one station, and LateWeight for each minute past Due
//
// # Made-up nurseries
//
// Nursery makes a fortnight of a nursery of any size from a seed. No figure in it is
// measured anywhere; it is there to compare plans of one and the same problem.
//
// # Plans without a search
//
// EarliestDueFirst and HouseByHouse plan day by day as people do on paper. They share
// no code with the search.
package benchmark
