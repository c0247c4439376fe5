//go:build !linux

package main

import "errors"

// monotonic is for systemd alone, which runs on Linux.
func monotonic() (int64, error) { return 0, errors.ErrUnsupported }
