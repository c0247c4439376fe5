package main

import (
	"bufio"
	"fmt"
	"os"
	"strings"
	"syscall"
)

// unmapStart lets go of the pages of the program that are in memory by now: mostly those
// that only its start needed, of which there are many, for it has every part of the hub in
// it. What is used again is there again at once, for the hub has it in memory as well.
// Only pages that are as they are in the file are let go of.
func unmapStart() error {
	program, err := os.Readlink("/proc/self/exe")
	if err != nil {
		return err
	}
	f, err := os.Open("/proc/self/smaps")
	if err != nil {
		return err
	}
	defer f.Close()
	var from, to uintptr
	of := false
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		line := lines.Text()
		var begin, end uintptr
		var may string
		if n, _ := fmt.Sscanf(line, "%x-%x %s", &begin, &end, &may); n == 3 {
			from, to, of = begin, end, strings.HasSuffix(line, " "+program) && !strings.Contains(may, "w")
		}
		if of && strings.HasPrefix(line, "Anonymous:") && strings.Contains(line, " 0 kB") {
			if _, _, failed := syscall.Syscall(syscall.SYS_MADVISE, from, to-from, syscall.MADV_DONTNEED); failed != 0 {
				return fmt.Errorf("let go of the pages from %x to %x: %w", from, to, failed)
			}
		}
	}
	return lines.Err()
}
