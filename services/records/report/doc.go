// Package report lays out the records and reports of pesticide use that a law or
// an inspector asks for, and writes them as PDF, CSV, JSON and XLSX.
//
// What a report must say stands as data in kinds.yaml: each field with the section
// that asks for it and whether that section was read or is from memory. Check lists
// what is missing or doubtful and where it is put right. Build lays one Document
// out; every writer writes that document and nothing else, so that no two formats
// can say different things.
//
// A field that is required and missing is written as MISSING, never left blank, and
// the head of the report says how many there are. The package knows no database, no
// clock and no network. Amounts are exact; where another unit cannot be, the amount
// as it was recorded stands beside it.
package report
