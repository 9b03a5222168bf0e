package metrics

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// board is what our own check reads of a dashboard.
type board struct {
	UID        string
	Panels     []boardPanel
	Templating struct{ List []struct{ Name, Type string } }
	Time       struct{ From, To string }
}

type boardPanel struct {
	ID          int
	Type, Title string
	Datasource  struct{ Type, UID string }
	GridPos     struct{ H, W, X, Y int }
	FieldConfig struct{ Defaults struct{ Unit string } }
	Targets     []struct {
		RefID, Expr, LegendFormat string
		Datasource                struct{ Type, UID string }
		Instant, Range            bool
	}
}

// units are the names of units that the dashboard model knows and we use.
var units = []string{"s", "percentunit", "ops", "none", "bytes"}

// faults says what a dashboard server would show wrong without a word.
func faults(b *board) (out []string) {
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	known := []string{"__rate_interval", "__range"}
	for _, v := range b.Templating.List {
		known = append(known, v.Name)
	}
	ids := map[int]bool{}
	taken := map[[2]int]string{}
	for i := range b.Panels {
		p := &b.Panels[i]
		if ids[p.ID] || p.ID < 1 {
			say("%s: id %d twice", p.Title, p.ID)
		}
		ids[p.ID] = true
		g := p.GridPos
		if g.W < 1 || g.H < 1 || g.X < 0 || g.Y < 0 || g.X+g.W > 24 {
			say("%s: outside the grid", p.Title)
		}
		for x := g.X; x < g.X+g.W; x++ {
			for y := g.Y; y < g.Y+g.H; y++ {
				if other := taken[[2]int{x, y}]; other != "" {
					say("%s: lies on %s", p.Title, other)
				}
				taken[[2]int{x, y}] = p.Title
			}
		}
		if p.Type != "row" {
			out = append(out, panelFaults(p, known)...)
		}
	}
	return out
}

func panelFaults(p *boardPanel, known []string) (out []string) {
	say := func(format string, args ...any) { out = append(out, p.Title+": "+fmt.Sprintf(format, args...)) }
	if !slices.Contains([]string{"timeseries", "bargauge", "stat"}, p.Type) {
		say("panel type %q", p.Type)
	}
	if !slices.Contains(units, p.FieldConfig.Defaults.Unit) {
		say("unit %q", p.FieldConfig.Defaults.Unit)
	}
	if p.Datasource.UID != "${datasource}" || p.Datasource.Type != "prometheus" {
		say("data source %q", p.Datasource.UID)
	}
	refs := map[string]bool{}
	for _, q := range p.Targets {
		if refs[q.RefID] || q.RefID == "" {
			say("query %q twice", q.RefID)
		}
		refs[q.RefID] = true
		if q.Datasource != p.Datasource {
			say("query %s has another data source", q.RefID)
		}
		if q.Instant == q.Range {
			say("query %s is neither or both of instant and range", q.RefID)
		}
		if q.Range && strings.Contains(q.Expr, "topk") {
			say("query %s: the best few of a range change from point to point", q.RefID)
		}
		for _, part := range strings.Split(q.Expr, "$")[1:] {
			name := strings.FieldsFunc(part, func(r rune) bool { return r != '_' && (r < 'a' || r > 'z') })[0]
			if !slices.Contains(known, name) {
				say("query %s: unknown variable %s", q.RefID, name)
			}
		}
	}
	if len(p.Targets) == 0 {
		say("no query")
	}
	return out
}

func readBoard(t *testing.T, contents *Contents) (*board, []byte) {
	t.Helper()
	var text bytes.Buffer
	require.NoError(t, Dashboard(&text, contents))
	var b board
	require.NoError(t, json.Unmarshal(text.Bytes(), &b))
	return &b, text.Bytes()
}

func TestDashboard(t *testing.T) {
	b, text := readBoard(t, nil)
	golden(t, "dashboard.json", text)
	require.Empty(t, faults(b))
	require.Equal(t, "now-15m", b.Time.From)
	rowTitles := []string{}
	for _, p := range b.Panels {
		if p.Type == "row" {
			rowTitles = append(rowTitles, p.Title)
		}
	}
	require.Equal(t, []string{"Freshness", "Latency", "Losses by cause", "Airtime", "Bridge", "Wall clock", "Host"}, rowTitles)
	b, _ = readBoard(t, &Contents{From: Epoch, To: Epoch.Add(time.Minute)})
	require.Equal(t, "2025-01-01T00:00:00Z", b.Time.From)
	require.Equal(t, "2025-01-01T00:01:01Z", b.Time.To)
}

// The check can fail, in each of its points.
func TestDashboardCheckFindsFaults(t *testing.T) {
	for want, spoil := range map[string]func(p *boardPanel){
		"id 2 twice":                 func(p *boardPanel) { p.ID = 2 },
		"outside the grid":           func(p *boardPanel) { p.GridPos.W = 30 },
		"lies on":                    func(p *boardPanel) { p.GridPos.X-- },
		`panel type "graf"`:          func(p *boardPanel) { p.Type = "graf" },
		`unit "secs"`:                func(p *boardPanel) { p.FieldConfig.Defaults.Unit = "secs" },
		`data source "dead"`:         func(p *boardPanel) { p.Datasource.UID = "dead" },
		"has another data source":    func(p *boardPanel) { p.Targets[0].Datasource.UID = "x" },
		"neither or both":            func(p *boardPanel) { p.Targets[0].Range = !p.Targets[0].Range },
		"change from point to point": func(p *boardPanel) { p.Targets[0].Expr = "topk(1, x)" },
		"unknown variable sginal":    func(p *boardPanel) { p.Targets[0].Expr = `x{a="$sginal"}` },
		"no query":                   func(p *boardPanel) { p.Targets = nil },
	} {
		b, _ := readBoard(t, nil)
		spoil(&b.Panels[2])
		require.Contains(t, strings.Join(faults(b), "\n"), want)
	}
}
