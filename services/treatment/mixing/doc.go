// Package mixing works out what a person measures out: the amount of product for
// any label rate, the volume of mix, tank loads that the measures at hand can
// reach, baths, injectors, sprayer calibration, the mixing order, rinsing, and the
// sheet that is printed from it.
//
// # Arithmetic
//
// Everything is a fraction of whole numbers (quantity.Exact) until a person has to
// measure it. Then it is rounded once, always down, so that no rounding can take an
// amount above a label's maximum. Volumes of mix are the exception: they are
// rounded up to a mark of the tank, because a volume that was rounded down leaves
// plants untreated; where that would pass a label's most water they are rounded
// down instead.
//
// # What a rate is per
//
// A rate per volume is per volume of finished mix: the tank is filled to the mark
// with the product in it. ppm is mg of active ingredient per L of mix, % is volume
// of product in volume of mix. The product label and local law decide on all of it.
package mixing
