// Command strict decodes a dashboard from standard input with the types of the
// dashboard model, which refuse unknown names, wrong types and missing fields. It
// is a module of its own: nothing else needs those types.
//
//	go run ../../../../cmd/stalegauge metrics dashboard | go run .
package main

import (
	"fmt"
	"io"
	"os"

	"github.com/grafana/grafana-foundation-sdk/go/cog/plugins"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
)

func main() {
	text, err := io.ReadAll(os.Stdin)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(2)
	}
	plugins.RegisterDefaultPlugins()
	var d dashboard.Dashboard
	// An error without a text is how it says that all is well.
	if err := d.UnmarshalJSONStrict(text); err != nil && err.Error() != "" {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	fmt.Printf("%d panels decode\n", len(d.Panels))
	if len(d.Panels) == 0 {
		os.Exit(1)
	}
}
