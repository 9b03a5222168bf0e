package main

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/radio"
	"stalegauge/reports"
)

// Bounds of the flags of radios.
const (
	mostRecords = 10_000
	mostBytes   = 65_535
)

// radiosFlags is what the user asked of radios, as text.
type radiosFlags struct {
	records, payload given
	format, out      string
}

func (p *program) radiosCommand() *cobra.Command {
	var f radiosFlags
	c := &cobra.Command{
		Use:   "radios",
		Short: "Compare the radio profiles: payload, time on air, broadcasts a second",
		Long: `Compare the radio profiles, each alone on its medium: how many bytes a broadcast
holds, how long it is on the air and with its access, how many leave a second,
how many records of 8 bytes fit into one, and the rule that limits its time on
the air. Without --records and --payload the broadcasts are full.

These are sums, without other senders and loss; run simulates both.`,
		Example: `  stalegauge radios
  stalegauge radios --records 13
  stalegauge radios --payload 100 --format csv --out radios.csv`,
		ValidArgsFunction: cobra.NoFileCompletions,
	}
	flags := c.Flags()
	flags.SortFlags = false
	flags.Var(&f.records, "records", "`NUMBER` of records of 8 bytes to send together")
	flags.Var(&f.payload, "payload", "payload of a broadcast in `BYTES`, or the limit where that is less")
	flags.StringVar(&f.format, "format", "text", "`FORM` of the result: text, json or csv")
	flags.StringVar(&f.out, "out", "", "write the result to this `FILE` instead of standard output")
	for name, words := range map[string][]string{"records": nil, "payload": nil, "format": formats} {
		if err := c.RegisterFlagCompletionFunc(name, cobra.FixedCompletions(words, cobra.ShellCompDirectiveNoFileComp)); err != nil {
			panic("stalegauge: " + err.Error())
		}
	}
	p.command(c, func(_ *cobra.Command, args []string) (func() error, []error) {
		records, payload, mistakes := f.read(args)
		if out, err := openOutput(p.out, f.out); err != nil {
			mistakes = append(mistakes, err)
		} else {
			out.discard()
		}
		return func() error { return p.radios(&f, records, payload) }, mistakes
	})
	return c
}

// read returns the numbers of the flags, 0 where they were not given, and all
// that is wrong.
func (f *radiosFlags) read(args []string) (records, payload int, mistakes []error) {
	number := func(name string, g given, most int64) int {
		if !g.given {
			return 0
		}
		text, err := wholeFlag(name, g.text, 1, most)
		if err != nil {
			mistakes = append(mistakes, err)
		}
		n, _ := strconv.Atoi(text) // "" after a mistake
		return n
	}
	if len(args) > 0 {
		mistakes = append(mistakes, fmt.Errorf("radios takes no argument, found %q", args[0]))
	}
	records, payload = number("records", f.records, mostRecords), number("payload", f.payload, mostBytes)
	if f.records.given && f.payload.given {
		mistakes = append(mistakes, errors.New("--records and --payload both say how large a broadcast is: give one of them"))
	}
	if !slices.Contains(formats, f.format) {
		mistakes = append(mistakes, wordFlag("format", f.format, formats))
	}
	return records, payload, mistakes
}

// radios writes the comparison.
func (p *program) radios(f *radiosFlags, records, payload int) error {
	list, err := compareRadios(records, payload)
	if err != nil {
		return err
	}
	out, err := openOutput(p.out, f.out)
	if err != nil {
		return err
	}
	defer out.discard()
	var b bytes.Buffer
	switch f.format {
	case "json":
		err = reports.RadiosJSON(&b, list)
	case "csv":
		err = reports.RadiosCSV(&b, list)
	default:
		err = reports.RadiosText(&b, list, reports.TextOptions{Color: f.out == "" && wantsColor(p.out)})
	}
	if err != nil {
		return err
	}
	return out.write(b.Bytes())
}

// compareRadios works out what each radio does with so many records, or with a
// payload in bytes; 0 = full broadcasts. Sizes come from the bridge's encoder.
func compareRadios(records, payload int) (*reports.RadioList, error) {
	layout, list := bridge.Layout{Version: 1}, []bridge.Forward{{ID: bus.ID(0x100), Length: 8}}
	codec := bridge.NewCodec(layout, list)
	l := &reports.RadioList{Header: codec.HeaderSize(), Record: codec.RecordSize(0, 8), Wanted: records}
	for _, choice := range radio.Choices() {
		profile, err := radio.NewProfile(choice.Settings)
		if err != nil {
			return nil, err
		}
		fits := func(bytes int) int { return bridge.CompareLayouts(layout, list, bytes)[bridge.LayoutID].Fits[0] }
		most := fits(profile.MaxPayload())
		size := payload
		if records > 0 {
			size = l.Header + min(records, most)*l.Record
		}
		row := reports.RadioRow{Row: radio.Overview(profile, size), Keys: choice.Keys}
		row.Records = fits(row.Payload)
		if records > 0 && most > 0 {
			row.Broadcasts = (records + most - 1) / most
			rest := radio.Overview(profile, l.Header+(records-(row.Broadcasts-1)*most)*l.Record)
			row.All = time.Duration(row.Broadcasts-1)*row.Occupancy + rest.Occupancy
		}
		l.Rows = append(l.Rows, row)
	}
	return l, nil
}
