package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"time"
)

// head describes the machine and the moment.
func head(out io.Writer, quick bool, load float64, at time.Time) {
	fmt.Fprintf(out, "# The hub under load, beside its limits and its alternatives\n\n")
	if quick {
		fmt.Fprintf(out, "A quick run: it shows that everything runs, and its figures mean nothing.\n\n")
	}
	fmt.Fprintf(out, "Made by `go run ./internal/loadlab` on %s.\n", at.UTC().Format("2006-01-02 15:04 MST"))
	fmt.Fprintf(out, "Machine: %s, %d processors, %s of memory, %s, %s. Load before it began: %.2f.\n",
		firstOf("/proc/cpuinfo", "model name"), runtime.NumCPU(), memoryTotal(), kernel(), runtime.Version(), load)
	fmt.Fprintf(out, "Writers, servers and subscribers are processes of their own on the same processors. A figure is the\n"+
		"median of its runs (least … most). Latency is from the moment a reading was due to the subscriber.\n"+
		"Readings are those of made-up drums: a mean that wanders, noise of 0.2 K, a display of 0.1 K.\n")
}

// firstOf returns a value of one of the kernel's lists, such as "model name : …".
func firstOf(path, name string) string {
	text, err := os.ReadFile(path)
	if err != nil {
		return runtime.GOARCH
	}
	for line := range strings.Lines(string(text)) {
		if key, value, ok := strings.Cut(line, ":"); ok && strings.TrimSpace(key) == name {
			return strings.TrimSpace(value)
		}
	}
	return runtime.GOARCH
}

func memoryTotal() string {
	var kB float64
	if n, _ := fmt.Sscanf(firstOf("/proc/meminfo", "MemTotal"), "%g kB", &kB); n != 1 {
		return "an unknown amount"
	}
	return fmt.Sprintf("%.0f GB", kB/1e6)
}

func kernel() string {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	out, err := exec.CommandContext(ctx, "uname", "-sr").Output()
	if err != nil {
		return runtime.GOOS
	}
	return strings.TrimSpace(string(out))
}

// load1 is how many processes wanted to run in the last minute; -1 if nobody counts.
func load1() float64 {
	text, _ := os.ReadFile("/proc/loadavg")
	var v float64
	if n, _ := fmt.Sscan(string(text), &v); n != 1 {
		return -1
	}
	return v
}

// writeTable puts a table in place of the last one.
func writeTable(text string) error {
	path := filepath.Join("internal", "loadlab", "TABLE.md")
	if _, err := os.Stat(path); err != nil {
		return fmt.Errorf("write the table: run it from the root of the repository: %w", err)
	}
	return os.WriteFile(path, []byte(text), 0o644)
}
