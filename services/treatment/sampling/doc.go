// Package sampling says what clean inspections prove. A release is a sampling
// problem: lots of N plants of which D are affected, n of them looked at, each
// affected one seen with a probability, the sensitivity.
//
// # Definitions
//
// For a finite population (the lots) the probability that an inspection sees
// none of the D affected plants is exactly
//
//	miss(N, D, n, s) = sum over k of  C(D,k) C(N-D,n-k) / C(N,n) * (1-s)^k
//
// the hypergeometric probability that k affected plants are in the sample times
// the probability that each of the k is overlooked, independently. ISPM 31
// (International Standards for Phytosanitary Measures no. 31, from memory)
// tabulates the same in its appendix 2 for s = 1 and acceptance number 0. For
// s < 1 the shortcut in use divides the tabulated n by s. It is not used here:
// it can ask for more plants than the lots have where the exact sum does not,
// and it hides that looking at every plant with s < 1 still misses some.
//
// D is prevalence times N, rounded up. ISPM 31's table rounds the other way in a
// few cells where the product is not whole; the tests name them.
//
// For a population that is large against the sample the probability is
// (1 - prevalence * s)^n, which is ISPM 31's appendix 3.
//
// Several clean inspections: the affected plants are the same each time, so the
// probability to see none of them at all is the product of the inspections' own
// probabilities, if each drew its sample anew and an overlooked plant is no more
// likely to be overlooked again. That assumption fails for plants without signs:
// a plant in its latent period is overlooked by everybody. Assess therefore
// counts for the decision only inspections after the latent period.
//
// # Arithmetic
//
// Shares are exact decimals, probabilities are never float64. Each is computed
// as a lower and an upper bound: big.Float rounds every operation of the lower
// one down and of the upper one up, which is proven because all operands are
// positive. A comparison that the bounds leave open is repeated with more bits
// and, where it is still open (the two sides are then equal for all practical
// purposes), decided with exact integers. So every decision is exact. Numbers
// for people are rounded to the side that claims less.
//
// A cheap bound keeps this fast: by Hoeffding (1963), sampling without
// replacement misses no more often than with replacement, so
// miss <= (1 - s n/N)^D and miss <= (1 - s D/N)^n. Where that is below 2^-64 it is
// the upper bound and the sum is not needed. Elsewhere n*D*s/N < 45, so the work
// grows with the square root of N/s.
package sampling
