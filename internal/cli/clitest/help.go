// Package clitest checks that the help of commands tells the truth.
package clitest

import (
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/stretchr/testify/require"
)

// CheckHelp holds every command of a tree to have a long help, every one that
// does something to have examples, and every example to be a command line that
// the tree accepts. Tree returns the tree anew each time, since parsing a
// command line leaves its flags set.
func CheckHelp(t *testing.T, tree func() *cobra.Command) {
	t.Helper()
	walk(tree(), func(cmd *cobra.Command) {
		if cmd.Name() == "help" || cmd.Name() == "completion" || (cmd.HasParent() && cmd.Parent().Name() == "completion") {
			return // cobra's own
		}
		t.Run(strings.ReplaceAll(cmd.CommandPath(), " ", "_"), func(t *testing.T) {
			require.NotEmpty(t, cmd.Short)
			require.NotEmpty(t, cmd.Long)
			if cmd.HasSubCommands() {
				return
			}
			lines := commandLines(cmd.Example)
			require.NotEmpty(t, lines, "it has no example")
			for _, line := range lines {
				require.True(t, strings.HasPrefix(line, cmd.CommandPath()), "the example %q is not of %q", line, cmd.CommandPath())
				require.NoError(t, accept(tree(), words(line)[1:]), line)
			}
		})
	})
}

// CheckCommand holds a command line, with the name of the program before it, to be one
// that a tree accepts.
func CheckCommand(t *testing.T, tree *cobra.Command, line string) {
	t.Helper()
	require.NoError(t, accept(tree, words(line)[1:]), line)
}

func walk(cmd *cobra.Command, visit func(*cobra.Command)) {
	visit(cmd)
	for _, child := range cmd.Commands() {
		walk(child, visit)
	}
}

// commandLines joins lines that end in a backslash.
func commandLines(example string) []string {
	var lines []string
	for line := range strings.SplitSeq(strings.ReplaceAll(example, "\\\n", " "), "\n") {
		if line = strings.TrimSpace(line); line != "" {
			lines = append(lines, line)
		}
	}
	return lines
}

// words splits a command line as a shell does, as far as examples need it:
// double quotes, and a redirection at the end, which is left out.
func words(line string) []string {
	var all []string
	var word strings.Builder
	quoted, started := false, false
	end := func() {
		if started {
			all = append(all, word.String())
		}
		word.Reset()
		started = false
	}
	for _, r := range line {
		switch {
		case r == '"':
			quoted, started = !quoted, true
		case r == '>' && !quoted:
			end()
			return all
		case r == ' ' && !quoted:
			end()
		default:
			word.WriteRune(r)
			started = true
		}
	}
	end()
	return all
}

// accept checks a command line as cobra does before it runs a command.
func accept(root *cobra.Command, args []string) error {
	cmd, rest, err := root.Find(args)
	if err != nil {
		return err
	}
	if err := cmd.ParseFlags(rest); err != nil {
		return err
	}
	if err := cmd.ValidateArgs(cmd.Flags().Args()); err != nil {
		return err
	}
	if err := cmd.ValidateRequiredFlags(); err != nil {
		return err
	}
	return cmd.ValidateFlagGroups()
}
