package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// process is a line of the kernel's list (Linux, proc(5)).
type process struct {
	pid, parent int
	// Processor time of it and of its children that have ended.
	used time.Duration
}

// tick is what the kernel counts processor time in; 100 Hz on every Linux that Go
// runs on.
const tick = 10 * time.Millisecond

func processes() (list []process, err error) {
	stats, err := filepath.Glob("/proc/[0-9]*/stat")
	if err != nil {
		return nil, err
	}
	for _, path := range stats {
		text, err := os.ReadFile(path)
		if err != nil {
			continue // It has ended.
		}
		// The name is in parentheses and may hold anything.
		_, rest, _ := strings.Cut(string(text[max(strings.LastIndexByte(string(text), ')'), 0):]), " ")
		field := strings.Fields(rest)
		if len(field) < 15 {
			return nil, fmt.Errorf("read %s: %d fields after the name, want 15", path, len(field))
		}
		var p process
		p.pid, _ = strconv.Atoi(filepath.Base(filepath.Dir(path)))
		p.parent, _ = strconv.Atoi(field[1])
		for _, f := range field[11:15] { // utime, stime, cutime, cstime
			n, err := strconv.Atoi(f)
			if err != nil {
				return nil, fmt.Errorf("read %s: %w", path, err)
			}
			p.used += time.Duration(n) * tick
		}
		list = append(list, p)
	}
	return list, nil
}

// below returns the processes that descend from one.
func below(list []process, root int) (found []process) {
	for _, p := range list {
		if p.parent == root {
			found = append(append(found, p), below(list, p.pid)...)
		}
	}
	return found
}

// cpu is the processor time of everything that the bench has started so far, but not
// its own.
func cpu() (time.Duration, error) {
	var ended syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_CHILDREN, &ended); err != nil {
		return 0, err
	}
	used := time.Duration(ended.Utime.Nano() + ended.Stime.Nano())
	list, err := processes()
	for _, p := range below(list, os.Getpid()) {
		used += p.used
	}
	return used, err
}

// memoryOf is the memory of one process, in bytes: pages that several share are
// shared out among them.
func memoryOf(pid int) (int64, error) { return mapped(pid, "Pss") }

// residentOf is the memory that a process has at hand, in bytes, with all pages that it
// shares.
func residentOf(pid int) (int64, error) { return mapped(pid, "Rss") }

func mapped(pid int, field string) (int64, error) {
	path := fmt.Sprintf("/proc/%d/smaps_rollup", pid)
	text, err := os.ReadFile(path)
	if err != nil {
		return 0, err
	}
	for line := range strings.Lines(string(text)) {
		var kB int64
		if n, _ := fmt.Sscanf(line, field+": %d kB", &kB); n == 1 {
			return kB << 10, nil
		}
	}
	return 0, fmt.Errorf("read %s: no %s", path, field)
}

// memoryBelow is the memory of a process and of all that descend from it.
func memoryBelow(pid int) (int64, error) {
	total, err := memoryOf(pid)
	if err != nil {
		return 0, err
	}
	list, err := processes()
	for _, p := range below(list, pid) {
		// One that has just ended has none.
		m, _ := memoryOf(p.pid)
		total += m
	}
	return total, err
}

// bytesIn are the bytes of the files of a folder.
func bytesIn(dir string) (total int64, err error) {
	err = filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() {
			return ignoreGone(err)
		}
		info, err := d.Info()
		if err != nil {
			return ignoreGone(err)
		}
		total += info.Size()
		return nil
	})
	return total, err
}

// ignoreGone forgives a file that is replaced meanwhile.
func ignoreGone(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}
