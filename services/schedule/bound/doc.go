// Package bound says what no plan of a problem can go below, so that a plan can be
// called good or best without trust in the search that made it. It reads the
// problem only and shares no code with the search.
//
// # What the numbers promise
//
// Skipped is at most what any plan leaves out. The terms and the total hold for
// every plan that leaves out no more than Skipped. A plan that leaves out more is
// the worse one whatever its terms are, and nothing is said about its terms;
// Leaving bounds the terms of the plans that leave out the same jobs as it does.
//
// A job that must stay out is found alone: nobody may do it, no start fits its
// windows and the hours of people, sprayers and houses, or it needs a job that
// must stay out. When the lags and windows of the others contradict each other,
// one of the jobs that the lags join is left out too, at least the lightest. Then
// the terms count only jobs that are too heavy to be the ones left out.
//
// Overload says more about what is left out, by the hours that all jobs together
// ask for. It changes nothing in the terms: when it is above Skipped, no plan is of
// the kind that they speak of.
//
// # How they are found
//
// Each job has the starts that its windows, people, sprayers and spaces leave it
// (starts.go), narrowed by the lags (network.go). On top of what each job costs at
// its best start come the work of one machine (machine.go), of sets of machines and
// people and of pools (finish.go), the fills of tanks and the rinses (tank.go), and
// prices for busy hours (prices.go). The last take some tenths of a second; the
// rest take a few thousandths.
//
// Every number is a whole number of millionths. By names the argument that gave it.
package bound
