package supervise_test

import (
	"runtime"
	"testing"

	"github.com/evenbench/evenbench/internal/supervise"
)

// BenchmarkDriverProcess is the way from a device in a driver process to the
// Recorder, which stores at once.
func BenchmarkDriverProcess(b *testing.B) {
	r := newRecord()
	bench := supervise.NewBench(supervise.Options{Dir: b.TempDir(), Recorder: r})
	if _, err := bench.Apply(b.Context(), []supervise.Spec{spec("probe", "good", map[string]any{"deed": "hurry"})}); err != nil {
		b.Fatal(err)
	}
	defer func() { _ = bench.Stop(b.Context()) }()
	arrived := func(n uint64) {
		for {
			r.mu.Lock()
			got, changed := r.readings("probe"), r.changed
			r.mu.Unlock()
			if got >= n {
				return
			}
			<-changed
		}
	}
	arrived(1)
	start := r.count("probe")
	b.ResetTimer()
	arrived(start + uint64(b.N))
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "readings/s")
}

// BenchmarkInstruments reports what each further instrument costs the hub in
// goroutines and in memory in use.
func BenchmarkInstruments(b *testing.B) {
	for range b.N {
		r := newRecord()
		bench := supervise.NewBench(supervise.Options{Dir: b.TempDir(), Recorder: r})
		memory, goroutines := inUse()
		const n = 50
		var specs []supervise.Spec
		for i := range n {
			specs = append(specs, spec("probe-"+string(rune('A'+i)), "good", nil))
		}
		if _, err := bench.Apply(b.Context(), specs); err != nil {
			b.Fatal(err)
		}
		for _, s := range specs {
			for r.count(s.Instrument) == 0 {
				runtime.Gosched()
			}
		}
		m, g := inUse()
		b.ReportMetric(float64(m-memory)/n/1024, "KiB/instrument")
		b.ReportMetric(float64(g-goroutines)/n, "goroutines/instrument")
		_ = bench.Stop(b.Context())
	}
}

func inUse() (bytes uint64, goroutines int) {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapInuse + m.StackInuse, runtime.NumGoroutine()
}
