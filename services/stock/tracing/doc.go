// Package tracing says which lots could have caught a disorder from infected lots:
// what they shared with them, when, and how exposed that made them compared with
// each other. It also says where a lot lies in the zones that a law sets in metres
// around infected plants, and how long a hold lasts at least. It is pure: it judges
// facts that others read.
//
// # Contacts
//
// Everything counts only inside a window of time, in which the infected lots could
// have spread the disorder. A lot's plants were where their ancestors were before
// they were split off or joined, so a lot is followed along its lineage.
//
//   - Plants: plants of one came from the other inside the window.
//   - Bench, neighbour bench, water line, house: both stood there at the same time,
//     for longer than a moment. Who came after the infected lot had left, or left
//     before it came, is not exposed by it.
//   - Tool set: used on the lot after it was used on the infected one, however much
//     later inside the window. It counts less when the tools were disinfected
//     between lots by then.
//   - Worker: handled the lot after the infected one on the same day of the nursery,
//     until the day's end.
//   - Crate: used for the lot after it was used for the infected one. When it was
//     washed is not known, so until the window's end.
//
// Within one handling the order of the lots decides. Two handlings whose times
// overlap could have been in either order, so each counts as after the other.
//
// # Exposure
//
// A contact counts its kind's weight w for the routes by which the disorder spreads,
// times f, from 0 to 1: for times together h/(h+half), for a handling 1, or what is
// left after disinfecting. A kind carries several routes as if each were a chance of
// its own: w = 1 - product(1 - w of the route). The exposure of a lot is
//
//	100 * (1 - product over its contacts (1 - w*f))
//
// It is a rank, no probability. The weights are data, data/weights.yaml.
package tracing
