package cluster

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

const (
	// binVariable names the environment variable with the folder of initdb and postgres.
	binVariable = "VELAMEN_POSTGRES_BIN"
	// debianPattern is where Debian and Ubuntu put each major version.
	debianPattern = "/usr/lib/postgresql/*/bin"
	// minimumMajor is the oldest major version our migrations are written for.
	minimumMajor = 14
)

// programs are the server programs of one major version.
type programs struct {
	initdb, postgres string
	major            int
}

// findPrograms picks the newest PostgreSQL, or the one that wrote the data if
// there is data: after an upgrade of the system both are installed side by side.
func findPrograms(ctx context.Context, folder string) (programs, error) {
	found, looked := installedPrograms(ctx)
	if len(found) == 0 {
		return programs{}, &BinariesError{Looked: looked}
	}
	written, err := dataVersion(dataFolder(folder))
	if err != nil {
		return programs{}, err
	}
	if written == "" {
		return found[0], nil
	}
	installed := make([]int, 0, len(found))
	for _, p := range found {
		if strconv.Itoa(p.major) == written {
			return p, nil
		}
		installed = append(installed, p.major)
	}
	return programs{}, &VersionError{Folder: dataFolder(folder), Data: written, Installed: installed}
}

// dataVersion is the major version in PG_VERSION, empty if there is no cluster yet.
func dataVersion(data string) (string, error) {
	text, err := os.ReadFile(filepath.Join(data, "PG_VERSION"))
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	if err != nil {
		return "", folderError(data, err)
	}
	return strings.TrimSpace(string(text)), nil
}

// installedPrograms lists what can be used, newest first, and where it looked.
func installedPrograms(ctx context.Context) (found []programs, looked []string) {
	for _, bin := range candidateFolders() {
		p, err := programsIn(ctx, bin)
		if err != nil {
			looked = append(looked, fmt.Sprintf("%s (%v)", bin, err))
			continue
		}
		found = append(found, p)
	}
	if len(looked) == 0 {
		looked = []string{debianPattern, "PATH"}
	}
	slices.SortStableFunc(found, func(a, b programs) int { return cmp.Compare(b.major, a.major) })
	return found, looked
}

func candidateFolders() []string {
	if bin := os.Getenv(binVariable); bin != "" {
		return []string{bin} // a person chose; anything else would surprise
	}
	folders, _ := filepath.Glob(debianPattern) // fails only on a malformed pattern
	if path, err := exec.LookPath("postgres"); err == nil {
		if resolved, err := filepath.EvalSymlinks(path); err == nil {
			path = resolved
		}
		folders = append(folders, filepath.Dir(path))
	}
	return folders
}

func programsIn(ctx context.Context, bin string) (programs, error) {
	p := programs{initdb: filepath.Join(bin, "initdb"), postgres: filepath.Join(bin, "postgres")}
	for _, program := range []string{p.initdb, p.postgres} {
		if _, err := exec.LookPath(program); err != nil {
			return programs{}, fmt.Errorf("no %s", filepath.Base(program))
		}
	}
	output, err := exec.CommandContext(ctx, p.postgres, "--version").Output()
	if err != nil {
		return programs{}, fmt.Errorf("postgres --version: %w", err)
	}
	if p.major, err = parseMajor(string(output)); err != nil {
		return programs{}, err
	}
	if p.major < minimumMajor {
		return programs{}, fmt.Errorf("version %d is too old", p.major)
	}
	return p, nil
}

var versionPattern = regexp.MustCompile(`^postgres \(PostgreSQL\) (\d{1,4})(?:\.|beta|rc|devel|\s|$)`)

// parseMajor reads a line like "postgres (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)".
func parseMajor(line string) (int, error) {
	match := versionPattern.FindStringSubmatch(line)
	if match == nil {
		return 0, fmt.Errorf("version %q is not understood", strings.TrimSpace(line))
	}
	return strconv.Atoi(match[1])
}
