// Package proto has the text of the contract, for programs in languages that make their
// own code of it.
package proto

import "embed"

// Files are the .proto files of drivers and clients, under the paths by which they
// import each other.
//
//go:embed evenbench/v1/record.proto evenbench/v1/cupping.proto evenbench/v1/driver.proto evenbench/v1/hub.proto
var Files embed.FS
