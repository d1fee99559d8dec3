// Package entry says who may go where after an application of a pesticide: what is
// closed while it is applied, when a house is aired, how long the restricted-entry
// interval lasts, who may enter before its end, and which signs, words, displays and
// washing supplies are due. It is pure: the same facts give the same answer.
//
// Law stands as data in data/*.yaml, each row with its source and whether that was
// read (S) or is from memory (M). The product label and local law decide over all of
// it; whoever shows a time from this package shows treatment's Caution beside it.
//
// Everything fails closed. A fact that is not entered takes the stricter row and is
// named, so that entering it can only open a house sooner, never later.
package entry
