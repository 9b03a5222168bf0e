package metrics

import (
	"bytes"
	"encoding/json"
	"io"
	"time"
)

// object is a JSON object; its names are written in alphabetical order.
type object = map[string]any

// panelSpec is one panel of the dashboard.
type panelSpec struct {
	title, about string
	unit         string
	kind         string // "timeseries", "bargauge", "stat"
	width        int    // of 24
	stacked      bool
	most         float64 // top of the axis, 0 = free
	queries      []query
}

// query is one expression and how its series are called.
type query struct{ expr, legend string }

// rowSpec is a row of panels under a heading.
type rowSpec struct {
	title  string
	panels []panelSpec
}

const (
	panelHeight = 8
	gridWidth   = 24
)

// Dashboard writes a dashboard in the classic JSON model, which every version of
// the dashboard server imports. It opens at the time of contents, or at the last 15
// minutes when there are none. It returns the error of w.
func Dashboard(w io.Writer, contents *Contents) error {
	from, to, refresh := "now-15m", "now", "10s"
	if contents != nil {
		// The last sample lies at the end; a range has it inside.
		from, to, refresh = contents.From.Format(time.RFC3339Nano), contents.To.Add(time.Second).Format(time.RFC3339Nano), ""
	}
	var panels []any
	id, y := 0, 0
	next := func() int { id++; return id }
	for _, row := range rows {
		panels = append(panels, object{
			"type": "row", "id": next(), "title": row.title, "collapsed": false, "panels": []any{},
			"gridPos": object{"h": 1, "w": gridWidth, "x": 0, "y": y},
		})
		y++
		x := 0
		for i := range row.panels {
			p := &row.panels[i]
			if x+p.width > gridWidth {
				x, y = 0, y+panelHeight
			}
			panels = append(panels, p.object(next(), x, y))
			x += p.width
		}
		y += panelHeight
	}
	board := object{
		"uid": "stalegauge", "title": "Staleness of wireless displays", "tags": []string{"stalegauge"},
		"schemaVersion": 39, "timezone": "utc", "editable": true, "graphTooltip": 1, "refresh": refresh,
		"time": object{"from": from, "to": to}, "annotations": object{"list": []any{}},
		"templating": object{"list": variables()}, "panels": panels,
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	if err := e.Encode(board); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}

// source is the data source of every panel and query: whatever the user chose.
var dataSource = object{"type": "prometheus", "uid": "${datasource}"}

func variables() []any {
	all := []any{object{"type": "datasource", "name": "datasource", "label": "Data", "query": "prometheus"}}
	for _, v := range [][2]string{{"design", "Design"}, {"receiver", "Display"}, {"signal", "Signal"}} {
		all = append(all, object{
			"type": "query", "name": v[0], "label": v[1], "datasource": dataSource,
			"query":   object{"query": "label_values(" + observedSeconds.name + ", " + v[0] + ")", "refId": "values"},
			"refresh": 2, "sort": 1, "multi": true, "includeAll": true, "allValue": ".+",
			"current": object{"text": "All", "value": "$__all"},
		})
	}
	return all
}

func (p *panelSpec) object(id, x, y int) object {
	var targets []any
	for i, q := range p.queries {
		targets = append(targets, object{
			"refId": string(rune('A' + i)), "datasource": dataSource, "expr": q.expr, "legendFormat": q.legend,
			"instant": p.kind != "timeseries", "range": p.kind == "timeseries",
		})
	}
	defaults := object{"unit": p.unit, "min": 0, "color": object{"mode": "palette-classic"}}
	if p.most > 0 {
		defaults["max"] = p.most
	}
	if p.kind == "timeseries" {
		stacking, fill := "none", 0
		if p.stacked {
			stacking, fill = "normal", 40
		}
		defaults["custom"] = object{
			"drawStyle": "line", "lineWidth": 2, "fillOpacity": fill, "showPoints": "auto",
			"stacking": object{"mode": stacking, "group": "A"},
		}
	}
	return object{
		"id": id, "type": p.kind, "title": p.title, "description": p.about, "datasource": dataSource,
		"gridPos": object{"h": panelHeight, "w": p.width, "x": x, "y": y}, "targets": targets,
		"fieldConfig": object{"defaults": defaults, "overrides": []any{}}, "options": p.options(),
	}
}

// options are complete: the strict form of the model asks for what a dashboard
// server would fill in by itself.
func (p *panelSpec) options() object {
	legend := object{"displayMode": "list", "placement": "bottom", "showLegend": true, "calcs": []string{}}
	reduce := object{"calcs": []string{"lastNotNull"}, "fields": "", "values": false}
	switch p.kind {
	case "timeseries":
		return object{"legend": legend, "tooltip": object{"mode": "multi", "sort": "desc"}}
	case "bargauge":
		return object{
			"displayMode": "basic", "valueMode": "text", "namePlacement": "left", "showUnfilled": true, "sizing": "auto",
			"minVizWidth": 8, "minVizHeight": 16, "maxVizHeight": 300, "orientation": "horizontal",
			"legend": object{"displayMode": "list", "placement": "bottom", "showLegend": false, "calcs": []string{}}, "reduceOptions": reduce,
		}
	default:
		return object{
			"graphMode": "none", "colorMode": "none", "justifyMode": "auto", "textMode": "value_and_name", "wideLayout": true,
			"showPercentChange": false, "percentChangeColorMode": "standard", "orientation": "auto", "reduceOptions": reduce,
		}
	}
}
