// Package cli is the command line: flags, output and exit codes. Only results go to stdout, as
// JSON or text; logs go to stderr. Exit codes: 0 done, 1 failed, 2 wrong use.
package cli

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"time"
)

// Env is what a command can reach of the process around it.
type Env struct {
	Stdout, Stderr io.Writer
	Now            func() time.Time
	Version        string
}

// Exit codes.
const (
	Done     = 0
	Failed   = 1
	WrongUse = 2
)

// command is one command.
type command struct {
	name, about string
	run         func(ctx context.Context, env Env, args []string) error
}

func commands() []command {
	return []command{
		{"serve", "run ingest, projectors, FHIR, pages and metrics in one process", serve},
		{"simulate", "post an invented unit's feed to a running service, or write it to a file", simulateCommand},
		{"load", "post messages from files of newline-delimited protobuf-JSON", load},
		{"card", "print a patient's chairside card, or write all cards as a pack to print", cardCommand},
		{"what-if", "judge the record by another needling protocol and list what would differ", whatIfCommand},
		{"threshold", "compute the threshold that a sequential signal needs at a unit's size", thresholdCommand},
		{"acknowledge", "write the message by which a person acknowledges a standing signal", acknowledgeCommand},
		{"lift", "write the message by which a person lifts an open hold", liftCommand},
		{"report", "write a month's surveillance report for the infection-control meeting", reportCommand},
		{"status", "print an instance's state in about ten lines", statusCommand},
		{"token", "make a bearer token for a principal of the policy", tokenCommand},
		{"codes", "make the sealed codes by which a facility's pages open while the login is away", codesCommand},
		{"development-issuer", "run an issuer of logins without passwords, for development alone", developmentIssuer},
		{"clock", "confirm the machine's clock, or declare that it was wrong when entries were written", clockCommand},
		{"verify", "check a stopped instance's log, copies and keys, and report what is damaged", verifyCommand},
		{"repair", "repair a stopped instance's log into a new folder", repairCommand},
		{"prepare", "make the streams of log and audit trail and the key bucket on an external server", prepare},
		{"backup", "copy the log, and apart from it the keys, of a running or stopped instance", backupCommand},
		{"restore", "make an instance of a backup, in an empty folder", restoreCommand},
		{"erase", "destroy the keys by which one person can be identified, in a stopped instance", eraseCommand},
		{"rebuild", "build the view of a stopped instance again from its log", rebuild},
		{"licences", "print the licences of every module in this program", licencesCommand},
		{"demo", "fill a fresh instance with a year of invented units and keep it running", demo},
	}
}

// errUse is wrong use of a command.
type errUse struct{ text string }

func (e errUse) Error() string { return e.text }

// Run runs one command and returns the exit code.
func Run(ctx context.Context, env Env, args []string) int {
	if len(args) == 0 || args[0] == "help" || args[0] == "-h" || args[0] == "--help" {
		usage(env.Stderr)
		if len(args) == 0 {
			return WrongUse
		}
		return Done
	}
	if args[0] == "version" {
		fmt.Fprintln(env.Stdout, env.Version)
		return Done
	}
	for _, c := range commands() {
		if c.name != args[0] {
			continue
		}
		return exit(env, "cannulary "+c.name, c.run(ctx, env, args[1:]))
	}
	fmt.Fprintf(env.Stderr, "cannulary: there is no command %q; `cannulary help` lists them\n", args[0])
	return WrongUse
}

// exit says what an error is, and returns the exit code.
func exit(env Env, name string, err error) int {
	switch use, wrong := errors.AsType[errUse](err); {
	case err == nil, errors.Is(err, flag.ErrHelp):
		return Done
	case errors.Is(err, errQuiet):
		return Failed
	case wrong:
		fmt.Fprintf(env.Stderr, "%s: %s\n", name, oneLine(use.text))
		return WrongUse
	}
	fmt.Fprintf(env.Stderr, "%s: %s\n", name, oneLine(err.Error()))
	return Failed
}

// errQuiet is a failure that was already reported.
var errQuiet = errors.New("failed")

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

func usage(w io.Writer) {
	fmt.Fprintln(w,
		"cannulary keeps the record of constant-site needle tracks in a haemodialysis service.\n\ncommands (each takes --help):")
	for _, c := range commands() {
		fmt.Fprintf(w, "  %-12s %s\n", c.name, c.about)
	}
	fmt.Fprintln(w, "  version      print the version\n\nexit codes: 0 done, 1 failed, 2 wrong use")
}

// flags returns a flag set that reports wrong use in one line.
func flags(env Env, name, synopsis string) *flag.FlagSet {
	fs := flag.NewFlagSet(name, flag.ContinueOnError)
	fs.SetOutput(io.Discard)
	fs.Usage = func() {
		fmt.Fprintf(env.Stderr, "usage: %s %s\n", program(name), synopsis)
		fs.SetOutput(env.Stderr)
		fs.PrintDefaults()
		fs.SetOutput(io.Discard)
	}
	return fs
}

// program returns how a command is called. The single roles are programs of their own.
func program(name string) string {
	if name == "ingest" || name == "view" {
		return name
	}
	return "cannulary " + name
}

// gather takes a flag that may be given several times.
func gather(to *[]string) func(string) error {
	return func(v string) error {
		*to = append(*to, v)
		return nil
	}
}

// parse parses the flags and refuses arguments beyond those expected; -1 allows any number.
func parse(fs *flag.FlagSet, args []string, positional int) error {
	// The flag package lists all flags with every error; here an error is one line.
	usage := fs.Usage
	fs.Usage = func() {}
	if err := fs.Parse(args); err != nil {
		if errors.Is(err, flag.ErrHelp) {
			usage()
			return err
		}
		return errUse{fmt.Sprintf("%v; see %s --help", err, program(fs.Name()))}
	}
	if positional >= 0 && fs.NArg() > positional {
		return errUse{fmt.Sprintf("argument %q is not expected; see %s --help", fs.Arg(positional), program(fs.Name()))}
	}
	return nil
}

func logger(env Env) *slog.Logger {
	return slog.New(slog.NewJSONHandler(env.Stderr, &slog.HandlerOptions{Level: slog.LevelInfo}))
}

// checkMoment refuses what is neither an RFC 3339 time nor a date; nothing is good too.
func checkMoment(s string) error {
	for _, layout := range []string{time.RFC3339, time.DateOnly} {
		if _, err := time.Parse(layout, s); err == nil || s == "" {
			return nil
		}
	}
	return errUse{fmt.Sprintf("%q is not a time; give 2026-03-04T10:00:00Z or 2026-03-04", s)}
}
