package signal

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"stalegauge/bus"
)

// pictureWidth is the longest line of a picture, in characters.
const pictureWidth = 80

const (
	markFree     = "."
	markSelector = "@"
	markOverlap  = "#"
)

// Picture draws the bytes of a message: a grid with a row for each byte and the
// bits 7 to 0 in columns, in which each signal has a letter, upper case at its
// most significant bit; below it a legend. A message with pages has one grid for
// each page that a signal lies on, with the signals of every page in all of them.
// Free bits are dots, the page selector and a signal that reads it are "@", and
// bits that two signals claim are "#". No line is longer than 80 characters unless a single name or unit is.
// sel is nil for a message without pages. Signals that do not lie in the message
// are in the legend only; see [CheckLayout] for what is wrong with them.
func Picture(length int, defs []Definition, sel *Selector) string {
	length = min(max(length, 0), bus.MaxLength)
	var text strings.Builder
	letters := signalLetters(len(defs))
	var grids [][]string
	for _, page := range picturePages(defs, sel) {
		grids = append(grids, drawGrid(length, defs, letters, sel, page))
	}
	writeBeside(&text, grids)
	if sel != nil {
		fmt.Fprintf(&text, "\n%s page selector: start %d, %s, %s\n", markSelector, sel.Start, bitsText(sel.Bits), orderWord(sel.BigEndian))
	}
	if len(defs) > 0 {
		text.WriteByte('\n')
		for i := range defs {
			if sel.same(&defs[i]) {
				letters[i] = markSelector
			}
		}
		writeLegend(&text, defs, letters, sel != nil)
	}
	return text.String()
}

// picturePages returns the pages to draw in rising order, or [AnyPage] alone.
func picturePages(defs []Definition, sel *Selector) []int {
	var pages []int
	for i := range defs {
		if page := defs[i].Page; sel != nil && page != AnyPage {
			pages = append(pages, page)
		}
	}
	slices.Sort(pages)
	if pages = slices.Compact(pages); len(pages) == 0 {
		return []int{AnyPage}
	}
	return pages
}

// signalLetters returns a, b, ... z, or as many aa, ab, ... as there are signals
// where the alphabet is too short. All are equally wide.
func signalLetters(n int) []string {
	const alphabet = 26
	width := 1
	for room := alphabet; room < n; room *= alphabet {
		width++
	}
	letters := make([]string, n)
	for i := range letters {
		word := make([]byte, width)
		for at, rest := width-1, i; at >= 0; at, rest = at-1, rest/alphabet {
			word[at] = 'a' + byte(rest%alphabet)
		}
		letters[i] = string(word)
	}
	return letters
}

// drawGrid returns the lines of one page's grid, all equally wide.
func drawGrid(length int, defs []Definition, letters []string, sel *Selector, page int) []string {
	width := 1
	if len(letters) > 0 {
		width = len(letters[0])
	}
	cells := make([]string, 8*length)
	fill := func(start, bits int, bigEndian bool, mark, top string) {
		if !bus.FieldInside(length, start, bits, bigEndian) {
			return
		}
		set := fieldBits(start, bits, bigEndian)
		for at := range cells {
			switch {
			case !set.has(at):
			case cells[at] != "":
				cells[at] = markOverlap
			case at == topBit(start, bits, bigEndian):
				cells[at] = top
			default:
				cells[at] = mark
			}
		}
	}
	for i := range defs {
		d := &defs[i]
		if d.Page == AnyPage || page == d.Page || sel == nil {
			if !sel.same(d) {
				fill(d.Start, d.Bits, d.BigEndian, letters[i], strings.ToUpper(letters[i]))
			}
		}
	}
	if sel != nil {
		fill(sel.Start, sel.Bits, sel.BigEndian, markSelector, markSelector)
	}
	return gridLines(length, cells, width, page)
}

func gridLines(length int, cells []string, width, page int) []string {
	var lines []string
	head := "byte"
	for bit := 7; bit >= 0; bit-- {
		head += fmt.Sprintf(" %*d", width, bit)
	}
	if page != AnyPage {
		lines = append(lines, fmt.Sprintf("%-*s", len(head), "page "+strconv.Itoa(page)))
	}
	lines = append(lines, head)
	for i := range length {
		line := fmt.Sprintf("%4d", i)
		for bit := 7; bit >= 0; bit-- {
			mark := cells[8*i+bit]
			if mark == "" {
				mark = markFree
			}
			line += fmt.Sprintf(" %*s", width, mark)
		}
		lines = append(lines, line)
	}
	return lines
}

// topBit returns the start bit number of a field's most significant bit.
func topBit(start, bits int, bigEndian bool) int {
	if bigEndian {
		return start
	}
	return start + bits - 1
}

// writeBeside writes equally high blocks, as many beside each other as fit.
func writeBeside(text *strings.Builder, blocks [][]string) {
	const gap = "   "
	fit := max(1, (pictureWidth+len(gap))/(len(blocks[0][0])+len(gap)))
	for from := 0; from < len(blocks); from += fit {
		if from > 0 {
			text.WriteByte('\n')
		}
		row := blocks[from:min(from+fit, len(blocks))]
		for i := range row[0] {
			var parts []string
			for _, block := range row {
				parts = append(parts, block[i])
			}
			text.WriteString(strings.TrimRight(strings.Join(parts, gap), " "))
			text.WriteByte('\n')
		}
	}
}

// writeLegend writes one line a signal, its name last: where that would make the
// line too long, the name goes on a line of its own.
func writeLegend(text *strings.Builder, defs []Definition, letters []string, paged bool) {
	rows := [][]string{{"", "start", "bits", "order", "form", "scale", "offset", "unit", "page", "name"}}
	for i := range defs {
		d := &defs[i]
		page := "all"
		if d.Page != AnyPage {
			page = strconv.Itoa(d.Page)
		}
		rows = append(rows, []string{
			letters[i], strconv.Itoa(d.Start), strconv.Itoa(d.Bits), orderWord(d.BigEndian), d.formWord(),
			strconv.FormatFloat(d.Scale, 'g', -1, 64), strconv.FormatFloat(d.Offset, 'g', -1, 64),
			visible(d.Unit), page, visible(d.Name),
		})
	}
	if !paged {
		for i, row := range rows {
			rows[i] = slices.Delete(row, 8, 9)
		}
	}
	last := len(rows[0]) - 1
	widths := make([]int, last)
	for _, row := range rows {
		for c := range widths {
			widths[c] = max(widths[c], utf8.RuneCountInString(row[c]))
		}
	}
	for _, row := range rows {
		writeLegendLine(text, row, widths)
	}
}

// legendNumbers are the columns that stand to the right.
var legendNumbers = map[int]bool{1: true, 2: true, 5: true, 6: true}

func writeLegendLine(text *strings.Builder, row []string, widths []int) {
	var line strings.Builder
	for c, width := range widths {
		room := strings.Repeat(" ", width-utf8.RuneCountInString(row[c]))
		if legendNumbers[c] {
			line.WriteString(room + row[c])
		} else {
			line.WriteString(row[c] + room)
		}
		line.WriteString("  ")
	}
	name := row[len(widths)]
	if utf8.RuneCountInString(line.String()+name) <= pictureWidth {
		text.WriteString(line.String() + name + "\n")
		return
	}
	text.WriteString(strings.TrimRight(line.String(), " ") + "\n")
	text.WriteString(strings.Repeat(" ", widths[0]+2) + name + "\n")
}

func orderWord(bigEndian bool) string {
	if bigEndian {
		return "big"
	}
	return "little"
}

func (d *Definition) formWord() string {
	switch {
	case d.Float:
		return "float"
	case d.Signed:
		return "signed"
	}
	return "unsigned"
}

// visible replaces what cannot be printed, which would spoil the columns.
func visible(text string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return '?'
		}
		return r
	}, text)
}
