package metrics

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/sim/study"
)

// The judge of what this package writes is a metrics server of another make and
// its checking tool, as the package prometheus of a Debian brings them.

// tool returns the path of a program. Without it the test is skipped, but not
// where everything has to be tested.
func tool(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("%s is not installed", name)
		}
		t.Skipf("%s is not installed: apt-get install prometheus", name)
	}
	return path
}

// judge runs a tool to its end and returns what it printed, with whether it was content.
func judge(t *testing.T, in []byte, folder, name string, args ...string) (string, bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	c := exec.CommandContext(ctx, name, args...)
	c.Dir, c.Stdin = folder, bytes.NewReader(in)
	out, err := c.CombinedOutput()
	return string(out), err == nil
}

// A live exposition passes the checking tool, as a server gets it from the door.
func TestExpositionPassesTheTool(t *testing.T) {
	promtool := tool(t, "promtool")
	p := newProbe()
	p.now = time.Second
	s, err := Serve(t.Context(), "0", p.source)
	require.NoError(t, err)
	_, text := get(t, "http://"+s.Address()+"/metrics")
	require.NoError(t, s.Close())
	out, ok := judge(t, []byte(text), "", promtool, "check", "metrics")
	require.True(t, ok, out)
	require.Empty(t, out)
	out, ok = judge(t, []byte("# TYPE stalegauge_age_ms gauge\nstalegauge_age_ms 1\n"), "", promtool, "check", "metrics")
	require.False(t, ok, out)
}

// The rules are good, their unit tests pass, and every alert has a test with it and
// one without it. With any threshold changed, a test fails.
func TestRulesPassTheTool(t *testing.T) {
	t.Parallel()
	promtool := tool(t, "promtool")
	folder := t.TempDir()
	write := func(rules string) {
		require.NoError(t, os.WriteFile(filepath.Join(folder, "rules.yml"), []byte(rules), 0o644))
	}
	write(string(Rules))
	require.NoError(t, os.WriteFile(filepath.Join(folder, "rules_test.yml"), RulesTests, 0o644))
	out, ok := judge(t, nil, folder, promtool, "check", "rules", "--lint=all", "--lint-fatal", "rules.yml")
	require.True(t, ok, out)
	out, ok = judge(t, nil, folder, promtool, "test", "rules", "rules_test.yml")
	require.True(t, ok, out)
	for _, change := range [][2]string{
		{"ratio_rate5m > 0.01", "ratio_rate5m > 0.04"}, {"ratio_rate5m > 0.01", "ratio_rate5m > 0.001"},
		{"10 * max by", "100 * max by"}, {"10 * max by", "1 * max by"},
		{"casts_total[1m])) == 0", "casts_total[1m])) < 0"}, {"casts_total[1m])) == 0", "casts_total[1m])) >= 0"},
		{"heard_total[1m])) == 0", "heard_total[1m])) < 0"}, {"heard_total[1m])) == 0", "heard_total[1m])) < 1"},
		{"ratio_rate1m > 0.2", "ratio_rate1m > 0.5"}, {"ratio_rate1m > 0.2", "ratio_rate1m > 0.05"},
		{"0.8 * max by", "0.95 * max by"}, {"0.8 * max by", "0.6 * max by"},
		{"ratio_rate5m > 0.7", "ratio_rate5m > 0.9"}, {"ratio_rate5m > 0.7", "ratio_rate5m > 0.5"},
	} {
		require.Equal(t, 1, strings.Count(string(Rules), change[0]), change[0])
		write(strings.Replace(string(Rules), change[0], change[1], 1))
		out, ok = judge(t, nil, folder, promtool, "test", "rules", "rules_test.yml")
		require.False(t, ok, "%q in place of %q: %s", change[1], change[0], out)
	}
}

// server is a metrics server on the loopback that ends with the test.
type server struct{ url string }

// startServer runs a command that starts a metrics server listening at address.
func startServer(t *testing.T, address string, c *exec.Cmd) *server {
	t.Helper()
	var log bytes.Buffer
	c.Stdout, c.Stderr = &log, &log
	require.NoError(t, c.Start())
	ended := make(chan error, 1)
	go func() { ended <- c.Wait() }()
	t.Cleanup(func() {
		_ = c.Process.Kill() // it may have ended by itself
		<-ended
	})
	s := &server{url: "http://" + address}
	for range 300 {
		select {
		case err := <-ended:
			ended <- err
			t.Fatalf("the server ended: %v\n%s", err, log.String())
		case <-time.After(50 * time.Millisecond):
		}
		if connection, err := net.DialTimeout("tcp", address, time.Second); err == nil {
			_ = connection.Close()
			if status, _ := get(t, s.url+"/-/ready"); status == 200 {
				return s
			}
		}
	}
	t.Fatal("the server does not become ready")
	return nil
}

// freeAddress is one on the loopback that nobody listened at a moment ago.
func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	return l.Addr().String()
}

// answer is one series of an instant query.
type answer struct {
	Metric map[string]string
	Value  [2]any
}

func (a answer) number(t *testing.T) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(a.Value[1].(string), 64)
	require.NoError(t, err)
	return v
}

// query asks for an expression at an instant.
func (s *server) query(t *testing.T, expr string, at time.Time) []answer {
	t.Helper()
	q := url.Values{"query": {expr}, "time": {strconv.FormatFloat(float64(at.UnixMilli())/1000, 'f', 3, 64)}}
	status, text := get(t, s.url+"/api/v1/query?"+q.Encode())
	require.Equal(t, 200, status, "%s: %s", expr, text)
	var reply struct{ Data struct{ Result []answer } }
	require.NoError(t, json.Unmarshal([]byte(text), &reply))
	return reply.Data.Result
}

// filled is an expression with what a dashboard server puts in for variables.
func filled(expr, span, rate string) string {
	return strings.NewReplacer("$__range", span, "$__rate_interval", rate, "$signal", ".+", "$receiver", ".+", "$design", ".+").Replace(expr)
}

// Two designs are imported by the very commands that the guide prints. The server
// then holds every sample, answers the report's figures, and every panel but those
// of the host shows something.
func TestServerAnswersTheReport(t *testing.T) {
	t.Parallel()
	tool(t, "promtool")
	tool(t, "prometheus")
	folder, address := t.TempDir(), freeAddress(t)
	results := map[string]*study.Result{}
	var files []File
	for design, sets := range map[string][]string{"as it is": {"duration=60s"}, "slow glass": {"duration=60s", "receivers.pillar.redraw=400ms", "replications=3"}} {
		r, h := recorded(t, "orchard", design, 10*time.Second, sets...)
		results[design] = r
		var b bytes.Buffer
		samples, err := h.Write(&b)
		require.NoError(t, err)
		name := filepath.Join(folder, design+".om")
		require.NoError(t, os.WriteFile(name, b.Bytes(), 0o644))
		contents, err := Check(&b, name)
		require.NoError(t, err)
		require.Equal(t, samples, contents.Samples)
		files = append(files, File{Name: name, Contents: contents})
	}
	var guide bytes.Buffer
	require.NoError(t, Guide(&guide, files, filepath.Join(folder, "data"), address))
	imports, serve, found := strings.Cut(guide.String(), "# 2. Serve.")
	require.True(t, found)
	out, ok := judge(t, []byte("set -e\n"+imports), folder, "sh")
	require.True(t, ok, out)
	require.Equal(t, files[0].Samples+files[1].Samples, imported(t, out), out)

	// The shell becomes the server, so that ending it ends the server.
	serve = strings.Replace(serve, "\nprometheus ", "\nexec prometheus ", 1)
	c := exec.Command("sh", "-ec", "#"+serve)
	c.Dir = folder
	s := startServer(t, address, c)
	for design, r := range results {
		requireShares(t, s, design, r)
		requireLedgers(t, s, design, r)
	}
	_, end := results["as it is"].Plan.Window()
	for _, row := range rows {
		for _, p := range row.panels {
			for _, q := range p.queries {
				got := s.query(t, filled(q.expr, "62s", "1m"), Epoch.Add(end))
				require.Equal(t, row.title != hostRow && row.title != clockRow, len(got) > 0, "%s, %s: %s", row.title, p.title, q.expr)
			}
		}
	}
}

// imported adds up the samples of the blocks that the tool says it made.
func imported(t *testing.T, out string) int {
	t.Helper()
	sum, column := 0, -1
	for _, line := range strings.Split(out, "\n") {
		if at := strings.Index(line, "NUM SAMPLES"); at >= 0 {
			column = at
			continue
		}
		if column < 0 || column >= len(line) {
			continue
		}
		if fields := strings.Fields(line[column:]); len(fields) > 0 {
			n, err := strconv.Atoi(fields[0])
			require.NoError(t, err, line)
			sum += n
		}
	}
	return sum
}

// requireShares: last less first of two counters, summed over replications, is the
// share of the report.
func requireShares(t *testing.T, s *server, design string, r *study.Result) {
	t.Helper()
	_, end := r.Plan.Window()
	grown := func(f *family) string {
		x := f.name + fmt.Sprintf("{design=%q}[2m]", design)
		return "sum by (signal, receiver) (max_over_time(" + x + ") - min_over_time(" + x + "))"
	}
	share := map[string]float64{}
	for _, a := range s.query(t, grown(staleSeconds)+" / "+grown(observedSeconds), Epoch.Add(end)) {
		share[a.Metric["receiver"]+" "+a.Metric["signal"]] = a.number(t)
	}
	mean := map[string]float64{}
	sum, count := &family{name: ages.name + "_sum"}, &family{name: ages.name + "_count"}
	for _, a := range s.query(t, grown(sum)+" / "+grown(count), Epoch.Add(end)) {
		mean[a.Metric["receiver"]+" "+a.Metric["signal"]] = a.number(t)
	}
	most := 0.0
	for _, d := range r.Receivers {
		for i := range d.Signals {
			one := &d.Signals[i]
			key := d.Name + " " + one.Shown.Signal.Name
			require.InEpsilon(t, one.Age.Mean.Value, mean[key], 0.001, key)
			if !one.OverLimit.Defined {
				continue
			}
			got, ok := share[key]
			require.True(t, ok, key)
			require.InDelta(t, one.OverLimit.Value, got, 0.001, key)
			require.InDelta(t, one.OverLimit.Value, got, 0.001*one.OverLimit.Value, key)
			most = max(most, got)
		}
	}
	require.Equal(t, design == "slow glass", most > 0.05, "a comparison of zeros alone shows nothing")
}

// requireLedgers: sums over replications are the pooled counts.
func requireLedgers(t *testing.T, s *server, design string, r *study.Result) {
	t.Helper()
	_, end := r.Plan.Window()
	frameCount := map[string]uint64{}
	for _, a := range s.query(t, fmt.Sprintf("sum by (fate) (%s{design=%q})", frames.name, design), Epoch.Add(end)) {
		frameCount[a.Metric["fate"]] = uint64(a.number(t))
	}
	require.Len(t, frameCount, len(r.FrameFates))
	for k, n := range r.FrameFates {
		require.Equal(t, n, frameCount[frameWord(k)], frameWord(k))
	}
	for _, a := range s.query(t, fmt.Sprintf("sum by (receiver, fate) (%s{design=%q})", records.name, design), Epoch.Add(end)) {
		for _, d := range r.Receivers {
			for k, n := range d.RecordFates {
				if d.Name == a.Metric["receiver"] && recordWord(k) == a.Metric["fate"] {
					require.Equal(t, n, uint64(a.number(t)))
				}
			}
		}
	}
}

// A server that scrapes a running study, a search and a live run sees the panels of
// the host and of the wall clock, and takes the native histograms: their 95 % lie within their bucket of the report's, a factor
// of 2^(1/8).
func TestServerScrapesARunningStudy(t *testing.T) {
	t.Parallel()
	tool(t, "prometheus")
	r, tally := tallied(t)
	clock := startLive(t, "on the desk", time.Minute).Source()
	search := searching(tally)
	door, err := Serve(t.Context(), "0", func() []*Snapshot { return slices.Concat(tally.Source(), search.Source()[:1], clock()) })
	require.NoError(t, err)
	defer door.Close()
	folder, address := t.TempDir(), freeAddress(t)
	config := fmt.Sprintf("global: {scrape_interval: 1s}\nscrape_configs: [{job_name: study, static_configs: [{targets: [%q]}]}]\n", door.Address())
	require.NoError(t, os.WriteFile(filepath.Join(folder, "server.yml"), []byte(config), 0o644))
	c := exec.Command("prometheus", "--config.file=server.yml", "--storage.tsdb.path=data", "--web.listen-address="+address, "--enable-feature=native-histograms")
	c.Dir = folder
	s := startServer(t, address, c)
	const cpu = "rate(process_cpu_seconds_total[5s])"
	for range 100 {
		if len(s.query(t, cpu, time.Now())) > 0 {
			break
		}
		time.Sleep(100 * time.Millisecond)
	}
	live := rows[len(rows)-2:]
	require.Equal(t, []string{clockRow, hostRow}, []string{live[0].title, live[1].title})
	for _, row := range live {
		for _, p := range row.panels {
			for _, q := range p.queries {
				require.NotEmpty(t, s.query(t, filled(q.expr, "1m", "5s"), time.Now()), q.expr)
			}
		}
	}
	found := 0
	for _, a := range s.query(t, "histogram_quantile(0.95, "+nativeLatencies.name+`{design="live"})`, time.Now()) {
		for _, d := range r.Receivers {
			for i := range d.Signals {
				if one := &d.Signals[i]; d.Name == a.Metric["receiver"] && one.Shown.Signal.Name == a.Metric["signal"] {
					found++
					require.InEpsilon(t, one.Latency.P95.Value, a.number(t), 0.0905+1.0/128, one.Shown.Signal.Name)
				}
			}
		}
	}
	require.Equal(t, 22, found)
}
