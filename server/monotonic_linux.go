package main

import "golang.org/x/sys/unix"

// monotonic returns the system's monotonic clock in microseconds.
func monotonic() (int64, error) {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &t); err != nil {
		return 0, err
	}
	return t.Nano() / 1000, nil
}
