package main

import (
	"fmt"
	"runtime"
	"runtime/debug"
)

// version tells which program this is, from what the linker wrote into it.
func version() string {
	return fmt.Sprintf("%s (%s %s/%s)", build(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
}

// build is the version of the module, or the revision that it was built from.
func build() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "devel"
	}
	if v := info.Main.Version; v != "" && v != "(devel)" {
		return v
	}
	revision, dirty := "", ""
	for _, s := range info.Settings {
		switch {
		case s.Key == "vcs.revision":
			revision = "-" + s.Value[:min(12, len(s.Value))]
		case s.Key == "vcs.modified" && s.Value == "true":
			dirty = "-dirty"
		}
	}
	return "devel" + revision + dirty
}
