// Package demo is an invented nursery to look around in: houses, benches, lots,
// people, products, a chemical store and 90 days of outbreaks at every stage.
// Nothing in it is real but the names of plants and active ingredients, and no
// dose in it may be used: the label of a product and local law decide, and
// licensed advice comes first.
//
// The data stands in the folder nursery, one file for each kind. It enters a
// server the way a nursery's own data would, through the gRPC API alone, so that
// it has passed every rule.
//
// Seeding may be broken off and repeated. The request id of every change follows
// from what it changes, so that the server answers a repetition with its first
// answer; and all times count from the moment at which the nursery was set up,
// which the server keeps, so that a repetition says the same.
//
// [Check] plays two outbreaks through as the people of the nursery and reports
// the first thing that is not as it should be.
package demo
