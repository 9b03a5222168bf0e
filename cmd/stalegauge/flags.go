package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/agnivade/levenshtein"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// unknownFlags lists the flags of a command line that the command does not know.
func unknownFlags(c *cobra.Command, args []string) []error {
	var mistakes []error
	for i := 0; i < len(args); i++ {
		arg := args[i]
		switch {
		case arg == "--":
			return mistakes
		case strings.HasPrefix(arg, "--"):
			name, _, hasValue := strings.Cut(arg[2:], "=")
			f := c.Flags().Lookup(name)
			switch {
			case f == nil:
				mistakes = append(mistakes, fmt.Errorf("unknown flag --%s%s", name, meantFlag(c, name)))
			case !hasValue && f.NoOptDefVal == "":
				i++ // its value
			}
		case len(arg) > 1 && arg[0] == '-':
			if letter := arg[1:2]; c.Flags().ShorthandLookup(letter) == nil {
				mistakes = append(mistakes, fmt.Errorf("unknown flag %s%s", arg, meantFlag(c, arg[1:])))
			}
		}
	}
	return mistakes
}

// meantFlag returns ": did you mean --flag?" for the flag that is nearest to
// name, or nothing where none is near.
func meantFlag(c *cobra.Command, name string) string {
	best, distance := "", math.MaxInt
	c.Flags().VisitAll(func(f *pflag.Flag) {
		d := levenshtein.ComputeDistance(strings.ToLower(name), f.Name)
		if strings.HasPrefix(f.Name, strings.ToLower(name)) {
			d = 1
		}
		if d < distance && d <= max(1, len(f.Name)/3) {
			best, distance = f.Name, d
		}
	})
	if best == "" {
		return ""
	}
	return ": did you mean --" + best + "?"
}

// The flags below are read as text, so that all mistakes are told at once. Each
// reader returns the value as a scenario would write it.

// wholeFlag reads a whole number from low to high.
func wholeFlag(name, text string, low, high int64) (string, error) {
	n, err := strconv.ParseInt(strings.TrimSpace(text), 10, 64)
	if err != nil || n < low || n > high {
		return "", fmt.Errorf("--%s: found %q, expected a whole number from %d to %d", name, text, low, high)
	}
	return strconv.FormatInt(n, 10), nil
}

// shareFlag reads a share in percent, given as shares from low to high.
func shareFlag(name, text string, low, high float64) (float64, error) {
	digits, found := strings.CutSuffix(strings.TrimSpace(text), "%")
	share, err := strconv.ParseFloat(strings.TrimSpace(digits), 64)
	if share /= 100; !found || err != nil || !(share >= low && share <= high) {
		return 0, fmt.Errorf("--%s: found %q, expected a share in percent from %g%% to %g%%", name, text, low*100, high*100)
	}
	return share, nil
}

// longestDuration is the longest window of a run.
const longestDuration = 1000 * time.Hour

// durationFlag reads a time with its unit.
func durationFlag(name, text string) (string, error) {
	d, err := time.ParseDuration(strings.NewReplacer(" ", "", "min", "m").Replace(text))
	switch {
	case err != nil:
		return "", fmt.Errorf("--%s: found %q, expected a time with its unit, such as 500ms, 60s or 2h", name, text)
	case d < time.Millisecond || d > longestDuration:
		return "", fmt.Errorf("--%s: found %q, expected a time from 1ms to 1000h", name, text)
	case d%time.Second == 0:
		return strconv.FormatInt(int64(d/time.Second), 10) + "s", nil
	case d%time.Millisecond == 0:
		return strconv.FormatInt(int64(d/time.Millisecond), 10) + "ms", nil
	default:
		return strconv.FormatInt(int64(d), 10) + "ns", nil
	}
}

// wordFlag reads one of a few words.
func wordFlag(name, text string, words []string) error {
	best, distance := "", math.MaxInt
	for _, w := range words {
		d := levenshtein.ComputeDistance(strings.ToLower(text), w)
		if d == 0 && text == w {
			return nil
		}
		if d < distance && d <= 2 {
			best, distance = w, d
		}
	}
	hint := ""
	if best != "" {
		hint = ": did you mean " + best + "?"
	}
	return fmt.Errorf("--%s: found %q, expected %s%s", name, text, oneOf(words), hint)
}

// oneOf writes words as a sentence has them.
func oneOf(words []string) string {
	last := len(words) - 1
	return strings.Join(words[:last], ", ") + " or " + words[last]
}
