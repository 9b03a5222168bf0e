package metrics

import (
	"fmt"
	"io"
	"regexp"
	"strings"
	"time"
)

// File is a history that was checked.
type File struct {
	Name string
	Contents
}

// Guide writes the commands that import histories into the folder data and start a
// metrics server on it at address, as a shell script that explains itself. It
// returns the error of w.
func Guide(w io.Writer, files []File, data, address string) error {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	line("# 1. Import. The tool prints NUM SAMPLES for each block it makes: the sum for a")
	line("#    file must be the number given here, as what does not fit is lost in silence.")
	line("mkdir -p %s", shell(data))
	for _, f := range files {
		line("# %d samples in %d series, %s to %s", f.Samples, f.Series, f.From.Format(time.RFC3339), f.To.Format(time.RFC3339Nano))
		line("promtool tsdb create-blocks-from openmetrics --max-block-duration=%dh \\\n  %s %s", blockHours(f.Contents), shell(f.Name), shell(data))
	}
	line("")
	line("# 2. Serve. Without the retention the server deletes blocks for their age: it")
	line("#    counts back from the newest one.")
	line("printf 'global: {}\\n' > %s", shell(data+"/server.yml"))
	line("prometheus --config.file=%s --storage.tsdb.path=%s \\\n  --storage.tsdb.retention.time=100y --web.listen-address=%s", shell(data+"/server.yml"), shell(data), shell(address))
	line("")
	line("# 3. Look, from another shell. The dashboard opens at the time of the history.")
	line("#    stalegauge metrics dashboard %s > dashboard.json", shell(files[0].Name))
	line("#    The data source is http://%s", address)
	line("#")
	line("# Traps:")
	for _, trap := range traps {
		line("# - %s", strings.ReplaceAll(trap, "\n", "\n#   "))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// traps are what was met when trying it with version 2.42 of the server.
var traps = []string{
	"Import into a folder of its own, never one that a server scrapes into.",
	"An import adds to what is there: importing a file twice keeps it twice on disk,\nand another run of the same design mixes with the first. Remove the folder to\nbegin anew, and name runs apart with run --design.",
	"The blocks belong to whoever imported them: chown them for a server that runs\nas another user.",
	"Recording rules are not worked out for imported data; query the expressions.",
	"A series is shown for 5 minutes after its last sample: let the range end where\nthe history ends.",
	"Native histograms have no text form: a history holds the classic ones.",
}

// blockHours is how long a block may be so that the tool reads the file once, or a
// few times only: it reads it again for every block.
func blockHours(c Contents) int {
	return max(24, int(c.To.Sub(c.From)/time.Hour)+1)
}

var plain = regexp.MustCompile(`^[A-Za-z0-9_./:@%+=,-]+$`)

// shell quotes a word for a shell where it needs it.
func shell(word string) string {
	if strings.HasPrefix(word, "-") {
		word = "./" + word
	}
	if plain.MatchString(word) {
		return word
	}
	return "'" + strings.ReplaceAll(word, "'", `'\''`) + "'"
}
