// Package layout holds no code: its test states which part of the repository
// may import which, and fails when a file crosses a boundary.
package layout
