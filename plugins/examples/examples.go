// Package examples holds whole drivers, to be read and to start one's own from:
// evenbench new writes them out under another name.
package examples

import "embed"

// Go is the driver in Go, with its sheet, under go/. It is called plain-scale.
//
//go:embed go/main.go go/driver.yaml
var Go embed.FS
