package reports

import (
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
)

// grid is a table of a text report: a head, rows, and no lines but the one
// under the head. The first column is text; the others stand to the right.
type grid struct {
	page   *page
	widths []int // of the widest line in each column
	head   []string
	rows   [][]string
	texts  map[int]bool // columns that stand to the left, from 1
	shrink int          // column that gives way where the page is too narrow, from 1
}

func newTable(p *page, head ...string) *grid {
	g := &grid{page: p, head: head, widths: make([]int, len(head)), texts: map[int]bool{1: true}, shrink: 1}
	g.measure(head)
	return g
}

// left makes a column of text.
func (g *grid) left(column int) { g.texts[column] = true }

// row appends a row. Cells hold no control characters but line breaks.
func (g *grid) row(cells ...string) {
	g.rows = append(g.rows, cells)
	g.measure(cells)
}

func (g *grid) measure(cells []string) {
	for i, c := range cells {
		g.widths[i] = max(g.widths[i], text.LongestLineLen(c))
	}
}

// gap is what keeps columns apart.
const gap = "  "

// write appends the table to the page. The shrinking column is wrapped to what
// the others leave; a row that is still too long ends with a tilde.
func (g *grid) write() {
	if len(g.rows) == 0 {
		return
	}
	room := g.page.options.Width - len(gap)*(len(g.head)-1)
	for i, w := range g.widths {
		if i != g.shrink-1 {
			room -= w
		}
	}
	configs := make([]table.ColumnConfig, len(g.head))
	for i := range g.head {
		configs[i] = table.ColumnConfig{Number: i + 1, Align: text.AlignRight, AlignHeader: text.AlignRight, VAlignHeader: text.VAlignBottom}
		if g.texts[i+1] {
			configs[i].Align, configs[i].AlignHeader = text.AlignLeft, text.AlignLeft
		}
		if i == g.shrink-1 {
			configs[i].WidthMax, configs[i].WidthMaxEnforcer = max(room, 8), text.WrapSoft
		}
	}
	t := table.NewWriter()
	t.SetStyle(g.style())
	t.SetColumnConfigs(configs)
	t.AppendHeader(cells(g.head))
	for _, r := range g.rows {
		t.AppendRow(cells(r))
	}
	for _, line := range strings.Split(t.Render(), "\n") {
		// The gap stands before each column; before the first it is not wanted.
		g.page.lines = append(g.page.lines, line[min(len(gap), len(line)):])
	}
}

func (g *grid) style() table.Style {
	s := table.StyleDefault
	s.Box.PaddingLeft, s.Box.PaddingRight = gap, ""
	s.Box.MiddleHorizontal = "-"
	s.Box.UnfinishedRow = "~"
	s.Format = table.FormatOptions{}
	s.Options = table.Options{SeparateHeader: true}
	s.Size.WidthMax = g.page.options.Width + len(gap)
	return s
}

func cells(texts []string) table.Row {
	row := make(table.Row, len(texts))
	for i, c := range texts {
		row[i] = c
	}
	return row
}
