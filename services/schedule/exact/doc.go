// Package exact finds and proves the best plan of small problems of a plain kind:
// every job is placed, has one way to be done and nobody to choose, and no calendar
// cuts the time. What is left is lags of any sign, and machines, people, spaces and
// pools that jobs compete for; the cost is the end of the work, lateness and
// waiting, which all grow with later starts.
//
// The jobs start as early as the lags allow. Where two of them then need the same
// machine, one must come before the other; where several ask for too much of a
// pool, one of them must end before another begins. The search tries each of these
// orders as one more lag (branching on minimal forbidden sets: De Reyck and
// Herroelen, European Journal of Operational Research 111, 1998, 152-174, from
// memory). Between the choices it orders the pairs that can only go one way
// (immediate selection: Carlier and Pinson, Management Science 35, 1989, 164-176,
// from memory), and gives up where the work on a machine or a pool does not fit
// between its earliest start and its latest end.
//
// It asks for a plan of no more than a cost that begins at the lower bound and
// rises, so that a plan that is found there is close to the best.
package exact
