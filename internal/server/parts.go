package server

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// lastWait is what a part gets beyond its time limit: its context has ended,
// and it cuts short what it was doing.
const lastWait = 5 * time.Second

// part is something that runs and must be stopped.
type part struct {
	name   string
	within time.Duration
	stop   func(ctx context.Context) error
}

// parts are what runs, in the order in which it was started.
type parts struct {
	running []part
	say     func(format string, args ...any)
}

// add notes that a part runs.
func (p *parts) add(name string, within time.Duration, stop func(ctx context.Context) error) {
	p.running = append(p.running, part{name: name, within: within, stop: stop})
}

// stop stops all parts in reverse order. Each gets its time, and one that does
// not stop does not keep the others from it.
func (p *parts) stop() error {
	var failures []error
	for i := len(p.running) - 1; i >= 0; i-- {
		part := p.running[i]
		p.say("stopping %s …", part.name)
		if err := part.end(); err != nil {
			failures = append(failures, fmt.Errorf("stop %s: %w", part.name, err))
		}
	}
	p.running = nil
	return errors.Join(failures...)
}

func (p part) end() error {
	ctx, cancel := context.WithTimeout(context.Background(), p.within)
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- p.stop(ctx) }()
	select {
	case err := <-done:
		return err
	case <-time.After(p.within + lastWait):
		return fmt.Errorf("it did not stop within %s", p.within+lastWait)
	}
}

// waits makes a stop of something that takes no context.
func waits(stop func()) func(context.Context) error {
	return func(context.Context) error {
		stop()
		return nil
	}
}
