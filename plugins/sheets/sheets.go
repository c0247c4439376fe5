// Package sheets holds the sheets that come with the hub. They describe no
// maker's model: each says which protocol it expects, so that a person can
// compare it with their instrument's manual, or start a sheet of their own from
// it.
package sheets

import (
	"embed"
	"io/fs"
	"strings"
)

//go:embed *.yaml
var files embed.FS

// Names returns the names of all sheets, sorted.
func Names() []string {
	paths, err := fs.Glob(files, "*.yaml")
	if err != nil {
		panic(err) // only a malformed pattern
	}
	for i, p := range paths {
		paths[i] = strings.TrimSuffix(p, ".yaml")
	}
	return paths
}

// Find returns the sheet of a name, as its file reads; false if there is none.
func Find(name string) ([]byte, bool) {
	data, err := files.ReadFile(name + ".yaml")
	return data, err == nil
}
