package cli

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	identityv1 "velamen/gen/velamen/identity/v1"
)

// session is who is signed in at a server.
type session struct {
	Token      string    `json:"token"`
	Person     string    `json:"person"`
	ExpireTime time.Time `json:"expire_time"`
}

// sessions are the sessions by server address, as they stand in token.json.
type sessions map[string]session

// currentSession returns the session at the server; VELAMEN_TOKEN comes before
// the file. It is empty when nobody is signed in.
func (a *app) currentSession() (session, error) {
	if a.session != nil {
		return *a.session, nil
	}
	found := session{Token: a.Environment("VELAMEN_TOKEN")}
	if found.Token == "" {
		stored, err := a.readSessions()
		if err != nil {
			return session{}, err
		}
		found = stored[a.flags.server]
	}
	a.session = &found
	return found, nil
}

// sessionFile is token.json in the configuration folder (XDG Base Directory
// Specification 0.8).
func (a *app) sessionFile() (string, error) {
	if folder := a.Environment("XDG_CONFIG_HOME"); filepath.IsAbs(folder) {
		return filepath.Join(folder, "velamen", "token.json"), nil
	}
	if home := a.Environment("HOME"); filepath.IsAbs(home) {
		return filepath.Join(home, ".config", "velamen", "token.json"), nil
	}
	return "", errors.New("there is no place for the sign-in: set HOME or XDG_CONFIG_HOME, or use VELAMEN_TOKEN")
}

func (a *app) readSessions() (sessions, error) {
	file, err := a.sessionFile()
	if err != nil {
		return nil, err
	}
	content, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		return sessions{}, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read the sign-in: %w", err)
	}
	stored := sessions{}
	if err := json.Unmarshal(content, &stored); err != nil {
		return nil, fmt.Errorf("%s is damaged (%w); remove it and sign in again", file, err)
	}
	return stored, nil
}

// writeSessions replaces the file whole, readable by its owner alone.
func (a *app) writeSessions(stored sessions) (err error) {
	file, err := a.sessionFile()
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(file), 0o700); err != nil {
		return fmt.Errorf("keep the sign-in: %w", err)
	}
	content, err := json.MarshalIndent(stored, "", "  ")
	if err != nil {
		return fmt.Errorf("keep the sign-in: %w", err)
	}
	draft, err := os.CreateTemp(filepath.Dir(file), ".token-") // made with mode 0600
	if err != nil {
		return fmt.Errorf("keep the sign-in: %w", err)
	}
	_, writeErr := draft.Write(append(content, '\n'))
	if err := errors.Join(writeErr, draft.Close()); err != nil {
		return errors.Join(fmt.Errorf("keep the sign-in: %w", err), os.Remove(draft.Name()))
	}
	return os.Rename(draft.Name(), file)
}

func (a *app) signInCommand() *cobra.Command {
	var person, passwordFile string
	cmd := a.command(text{
		use:   "sign-in",
		short: "Sign in and keep the token",
		long: `Signs a person in with their password and keeps the token for this server in
token.json in $XDG_CONFIG_HOME/velamen or ~/.config/velamen, for its owner alone.
The person's nursery becomes the nursery of the commands that follow.

The password is asked for, or read from the first line of --password-file ("-"
is standard input). In scripts VELAMEN_TOKEN with --nursery takes the place of
the file.`,
		example: `  velamen sign-in --person nurseries/vanda/people/olwen
  velamen sign-in --nursery vanda --person olwen --password-file olwen.password`,
	}, func(ctx context.Context, _ []string) error { return a.signIn(ctx, person, passwordFile) })
	cmd.Flags().StringVar(&person, "person", "", "who signs in: nurseries/NURSERY/people/PERSON, or the id with --nursery")
	passwordFileFlag(cmd, &passwordFile)
	return needs(cmd, "person")
}

func (a *app) signIn(ctx context.Context, person, passwordFile string) error {
	name, err := a.personToSignIn(person)
	if err != nil {
		return err
	}
	password, err := a.password(ctx, "Password: ", passwordFile)
	if err != nil {
		return err
	}
	conn, err := a.client()
	if err != nil {
		return err
	}
	response, err := identityv1.NewIdentityServiceClient(conn).SignIn(ctx, &identityv1.SignInRequest{Person: name, Password: password})
	if err != nil {
		return err
	}
	stored, err := a.readSessions()
	if err != nil {
		return err
	}
	stored[a.flags.server] = session{Token: response.GetToken(), Person: name, ExpireTime: response.GetExpireTime().AsTime()}
	if err := a.writeSessions(stored); err != nil {
		return err
	}
	s := stored[a.flags.server]
	a.session = &s
	response.Token = "" // it is in the file, and has no place on a screen or in a log
	return a.show(ctx, response, func(s *sheet) {
		s.line("%s is signed in until %s.", response.GetPerson().GetDisplayName(), s.when(response.GetExpireTime()))
	})
}

// personToSignIn does not look at who is signed in now: their nursery may be
// another.
func (a *app) personToSignIn(person string) (string, error) {
	if strings.HasPrefix(person, "nurseries/") || a.flags.nursery == "" {
		return wholeName("--person", "", person, "people")
	}
	return wholeName("--person", a.flags.nursery, person, "people")
}

func (a *app) signOutCommand() *cobra.Command {
	return a.command(text{
		use:   "sign-out",
		short: "End the token",
		long: `Ends the token at the server and removes it from this machine. The token is
removed even when the server does not answer; it then ends by itself in time.`,
		example: `  velamen sign-out`,
	}, func(ctx context.Context, _ []string) error {
		response, err := call(ctx, a, identityv1.NewIdentityServiceClient, identityv1.IdentityServiceClient.SignOut, &identityv1.SignOutRequest{})
		if forgetErr := a.forgetSession(); err == nil {
			err = forgetErr
		}
		if err != nil {
			return err
		}
		return a.show(ctx, response, func(s *sheet) { s.line("Signed out.") })
	})
}

func (a *app) forgetSession() error {
	stored, err := a.readSessions()
	if err != nil {
		return err
	}
	if _, found := stored[a.flags.server]; !found {
		return nil
	}
	delete(stored, a.flags.server)
	return a.writeSessions(stored)
}

func passwordFileFlag(cmd *cobra.Command, file *string) {
	cmd.Flags().StringVar(file, "password-file", "", "read the password from the first line of this file (\"-\": standard input)")
}

// password reads a password from a file, or asks for it without showing it.
func (a *app) password(ctx context.Context, prompt, file string) (string, error) {
	if file != "" {
		return a.firstLine("--password-file", file)
	}
	terminal, ok := a.In.(*os.File)
	if !ok || !term.IsTerminal(int(terminal.Fd())) {
		return "", usagef("--password-file is missing, and there is no terminal to ask for the password")
	}
	_, _ = io.WriteString(a.Err, prompt)
	password, err := readHidden(ctx, int(terminal.Fd()))
	_, _ = io.WriteString(a.Err, "\n")
	if err != nil {
		return "", fmt.Errorf("read the password: %w", err)
	}
	return password, nil
}

// readHidden reads a line that the terminal does not show. When the context
// ends, as by Ctrl-C, the terminal is left as it was.
func readHidden(ctx context.Context, terminal int) (string, error) {
	before, err := term.GetState(terminal)
	if err != nil {
		return "", err
	}
	type line struct {
		text []byte
		err  error
	}
	read := make(chan line, 1)
	go func() { // ends with the process when nobody presses Enter
		text, err := term.ReadPassword(terminal)
		read <- line{text, err}
	}()
	select {
	case got := <-read:
		return string(got.text), got.err
	case <-ctx.Done():
		return "", errors.Join(ctx.Err(), term.Restore(terminal, before))
	}
}

func (a *app) firstLine(flag, file string) (string, error) {
	source, err := a.open(flag, file)
	if err != nil {
		return "", err
	}
	defer func() { _ = source.Close() }()
	line, err := bufio.NewReader(source).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return "", fmt.Errorf("%s: %w", flag, err)
	}
	line = strings.TrimRight(line, "\r\n")
	if line == "" {
		return "", usagef("%s %s: its first line is empty", flag, file)
	}
	return line, nil
}

// open opens a file for reading; "-" is standard input.
func (a *app) open(flag, file string) (io.ReadCloser, error) {
	if file == "-" {
		return io.NopCloser(a.In), nil
	}
	source, err := os.Open(file)
	if err != nil {
		return nil, usagef("%s: %w", flag, err)
	}
	return source, nil
}
