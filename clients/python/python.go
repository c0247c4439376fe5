// Package python has the module by which Python programs speak with the hub.
package python

import "embed"

// Contract is contract.py, which makes Python of the .proto files beside or above it.
//
//go:embed contract.py
var Contract embed.FS
