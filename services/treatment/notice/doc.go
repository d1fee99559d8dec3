// Package notice lays out the sheets that tell people of an application, in English and
// Spanish, as PDF: a sign for an entrance, what was applied for the central display, what
// to say, what to wash with, and what a physician must know. It is pure: the same facts
// give the same bytes.
//
// What the sheets say is data in data/*.yaml, a file for each language, each text with
// where it is from. A fact that nobody entered is written as missing, never left blank.
// The product label and local law decide over every sheet, and each says so.
package notice
