// Package duty works out by when a record must be written, converted, reported,
// copied or shown, how long it is kept, and whether it may be thrown away. The law
// is data, each row with its source; this package reads and checks it and finds the
// rows that bind. It holds no database and reads no clock.
//
// It fails closed. A fact that was not said counts as the one that asks for more. A
// law that nobody read keeps a record for ever. Every answer says so in a sentence.
//
// Days are the nursery's own, months end at its midnight, and hours are absolute
// time. Whether a deadline on a weekend or holiday moves was not found in any law
// that was read: here it does not move.
package duty

// Caution stands beside everything that this package works out.
const Caution = "The product label and local law decide. Ask the authority where a rule is from memory or not known."
