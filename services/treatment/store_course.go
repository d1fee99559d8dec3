package treatment

import (
	"context"

	"velamen/internal/postgres"
)

// ReadCourse returns where a program stands, or a NotFound fault.
func ReadCourse(ctx context.Context, r postgres.Reader, nursery, program string) (State, error) {
	p, err := readProgram(ctx, r, nursery, program, false)
	if err != nil {
		return State{}, postgres.Translate(err)
	}
	return p.state, nil
}
