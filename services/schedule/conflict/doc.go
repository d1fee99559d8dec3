// Package conflict tells why jobs cannot be planned, in sentences that a nursery
// manager understands, and what single change would help at least cost.
//
// Every reason is found in the same way. Some jobs are found that do not fit: one
// alone, a chain of intervals, more work than there are hours, or a few jobs that
// get in each other's way. Then what is asked of them is given up one by one: each
// job, pin, deadline, shift, closure, capacity. What can be given up while the rest
// still does not fit is no part of the reason. What remains is a reason from which
// nothing can be taken away.
//
// Whether jobs fit is decided by a search of its own that is complete: it either
// finds places for all, or proves that there are none, or says that its limit of
// steps was too small. A proof about some jobs counts only when it holds whatever the
// other jobs do: one of them may leave a sprayer that needs no rinse, or shorten a
// way. The package reads package model and nothing else.
package conflict
