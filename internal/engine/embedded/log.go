//go:build !external

package embedded

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime"
	"sync/atomic"

	"go.temporal.io/server/common/log"
	"go.temporal.io/server/common/log/tag"
)

// serverLogger passes the server's lines on to slog.
//
// On a fatal error the server expects its logger to end the process. Ours does
// not: the process also owns PostgreSQL and answers people's requests. It ends
// the goroutine that cannot go on, and tells the owner, who stops everything in
// order.
//
// While the server stops, its services lose each other and report that as
// errors. Those are passed on at debug level, or every orderly stop would look
// like an accident.
type serverLogger struct {
	logger   *slog.Logger
	level    slog.Leveler
	fatal    chan error
	stopping *atomic.Bool
}

var (
	_ log.Logger     = (*serverLogger)(nil)
	_ log.WithLogger = (*serverLogger)(nil)
)

func newServerLogger(logger *slog.Logger, level slog.Leveler) *serverLogger {
	return &serverLogger{
		logger:   logger.With(slog.String("component", "temporal-server")),
		level:    level,
		fatal:    make(chan error, 1),
		stopping: new(atomic.Bool),
	}
}

// With returns a logger that adds tags to every line.
func (l *serverLogger) With(tags ...tag.Tag) log.Logger {
	attributes := make([]any, 0, len(tags))
	for _, attribute := range attrs(tags) {
		attributes = append(attributes, attribute)
	}
	return &serverLogger{logger: l.logger.With(attributes...), level: l.level, fatal: l.fatal, stopping: l.stopping}
}

// Debug logs at debug level.
func (l *serverLogger) Debug(msg string, tags ...tag.Tag) { l.log(slog.LevelDebug, msg, tags) }

// Info logs at info level.
func (l *serverLogger) Info(msg string, tags ...tag.Tag) { l.log(slog.LevelInfo, msg, tags) }

// Warn logs at warn level.
func (l *serverLogger) Warn(msg string, tags ...tag.Tag) { l.log(slog.LevelWarn, msg, tags) }

// Error logs at error level.
func (l *serverLogger) Error(msg string, tags ...tag.Tag) { l.log(slog.LevelError, msg, tags) }

// DPanic logs at error level: only the server's own developers want a panic here.
func (l *serverLogger) DPanic(msg string, tags ...tag.Tag) { l.log(slog.LevelError, msg, tags) }

// Panic logs at error level and panics; the server recovers where it can.
func (l *serverLogger) Panic(msg string, tags ...tag.Tag) {
	l.log(slog.LevelError, msg, tags)
	panic(msg)
}

// Fatal logs at error level, reports the first such error to the owner and ends
// the calling goroutine.
func (l *serverLogger) Fatal(msg string, tags ...tag.Tag) {
	l.log(slog.LevelError, msg, tags)
	select {
	case l.fatal <- fatalError(msg, tags):
	default:
	}
	runtime.Goexit()
}

func (l *serverLogger) log(level slog.Level, msg string, tags []tag.Tag) {
	if l.stopping.Load() {
		level = min(level, slog.LevelDebug)
	}
	if level < l.level.Level() {
		return
	}
	l.logger.LogAttrs(context.Background(), level, msg, attrs(tags)...)
}

func attrs(tags []tag.Tag) []slog.Attr {
	attributes := make([]slog.Attr, 0, len(tags))
	for _, t := range tags {
		attributes = append(attributes, slog.Any(t.Key(), t.Value()))
	}
	return attributes
}

func fatalError(msg string, tags []tag.Tag) error {
	err := errors.New(msg)
	for _, t := range tags {
		err = fmt.Errorf("%w, %s: %v", err, t.Key(), t.Value())
	}
	return err
}
