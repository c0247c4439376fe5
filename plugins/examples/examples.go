// Package examples holds whole drivers, to be read and to start one's own from:
// evenbench new writes them out under another name.
package examples

import "embed"

// Files are the driver of one scale in several languages, and its sheet. It is called
// plain-scale everywhere. They are named one by one, for Node's packages may lie beside
// them.
//
//go:embed plain-scale.yaml go/main.go python/driver.py node/driver.js node/package.json
var Files embed.FS
