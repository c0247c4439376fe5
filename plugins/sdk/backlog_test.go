package sdk

import (
	"os"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"
)

// A hub is away until a device has said far more than its driver may hold
// (EVENBENCH_BACKLOG_MB megabytes; 1000 is the bad day that is meant). The driver's memory
// stays within what it may hold, and the next session is told what was dropped and then
// gets the rest: every number once.
func TestP1_ABacklogIsHeldToItsLimit(t *testing.T) {
	size := 64 << 20
	if text := os.Getenv("EVENBENCH_BACKLOG_MB"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil {
			t.Fatalf("EVENBENCH_BACKLOG_MB: %v", err)
		}
		size = n * 1_000_000
	}
	heap := func() uint64 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	before := heap()
	at := time.Now()
	st := &store{run: "r", opened: at, next: 1, limit: DefaultHold}
	line := strings.Repeat("said ", 100)
	largest := uint64(0)
	for said := 0; said < size; said += len(line) {
		at = at.Add(time.Millisecond)
		st.add(at, &Reading{Channel: "mass", Value: float64(st.next), Text: strings.Clone(line)})
		if st.next%20_000 == 0 {
			largest = max(largest, heap())
		}
	}
	if grew := int(max(largest, heap()) - before); grew > 2*DefaultHold.Bytes {
		t.Errorf("the driver grew by %d MB, and may hold %d MB", grew>>20, DefaultHold.Bytes>>20)
	} else {
		t.Logf("of %d MB that were said the driver held %d readings in %d MB", size>>20, st.count, grew>>20)
	}
	var sent, dropped, kept uint64
	for {
		was := sent
		m := st.after(&sent, true)
		if m == nil {
			break
		}
		if d := m.GetDropped(); d != nil {
			if d.GetFirstNumber() != was+1 || was != 0 || d.GetFrom().AsTime().After(d.GetTo().AsTime()) {
				t.Errorf("after %d it says that it dropped %v", was, d)
			}
			dropped += d.GetCount()
			continue
		}
		if r := m.GetReadings(); r.GetFirstNumber() != was+1 {
			t.Fatalf("after %d came %d", was, r.GetFirstNumber())
		}
		kept += uint64(m.GetReadings().GetCount())
	}
	if dropped == 0 || kept == 0 || dropped+kept != st.last() {
		t.Errorf("of %d readings %d were said to be dropped, and %d came", st.last(), dropped, kept)
	}
}
