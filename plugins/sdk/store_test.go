package sdk

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// TestP1_StoreAccountsForEveryReading: whatever is taken, acknowledged, resumed
// and dropped, each session is told of every reading after the one it resumed
// from, once and in order, as a reading or as dropped; and a reading arrives as
// the device said it.
func TestP1_StoreAccountsForEveryReading(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		opened := time.Now()
		st := &store{run: "r", opened: opened, next: 1, limit: Hold{
			Readings: rapid.Uint64Range(1, 5_000).Draw(t, "hold readings"),
			Bytes:    rapid.IntRange(1_000, 1<<20).Draw(t, "hold bytes"),
		}}
		said := map[uint64]Reading{}
		when := map[uint64]time.Time{}
		var acked, sent uint64
		at := opened
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			switch rapid.IntRange(0, 3).Draw(t, "step") {
			case 0:
				for range rapid.IntRange(1, 3_000).Draw(t, "readings") {
					n := st.next
					at = at.Add(time.Duration(n%7) * time.Millisecond)
					said[n], when[n] = reading(n), at
					r := said[n]
					st.add(at, &r)
				}
			case 1:
				at = at.Add(time.Duration(rapid.IntRange(-5_000, 5_000).Draw(t, "seconds")) * time.Second)
			case 2:
				acked = rapid.Uint64Range(acked, sent).Draw(t, "ack")
				if !st.ack(acked) {
					t.Fatalf("acknowledging %d of %d is refused", acked, st.last())
				}
			case 3:
				sent = acked
			}
			everything := rapid.Bool().Draw(t, "everything")
			for {
				before := sent
				m := st.after(&sent, everything)
				if m == nil {
					break
				}
				if d := m.GetDropped(); d != nil {
					if d.FirstNumber != before+1 || d.Count == 0 || sent != before+d.Count {
						t.Fatalf("after %d: dropped %v, sent %d", before, d, sent)
					}
					continue
				}
				arrived(t, m.GetReadings(), before, said, when)
			}
			if everything && sent != st.last() {
				t.Fatalf("sent everything up to %d, the last is %d", sent, st.last())
			}
			if st.count > st.limit.Readings {
				t.Fatalf("%d readings are held, and %d may be", st.count, st.limit.Readings)
			}
		}
		if st.ack(st.last() + 1) {
			t.Fatal("a reading that was never given can be acknowledged")
		}
	})
}

// reading is the nth thing that a device says.
func reading(n uint64) Reading {
	r := Reading{Channel: []string{"bean", "drum_air", "mass"}[n%3], Value: float64(n)}
	if n%4 == 3 { // a display, which seldom shows something else
		r = Reading{Channel: "moisture", Value: float64(n) / 10, Text: fmt.Sprintf("%.1f", float64(n)/10)}
		if n%92 == 3 {
			r.Value, r.Text = float64(n), fmt.Sprint(n)
		}
		return r
	}
	switch n % 5 {
	case 0:
		r.Text = fmt.Sprint("B=", n)
	case 1:
		r.Unit = "[degF]"
	case 2:
		r.Status, r.DeviceTime = "S", "10:04"
	}
	return r
}

// arrived checks a batch that follows reading before.
func arrived(t *rapid.T, b *pb.ReadingBatch, before uint64, said map[uint64]Reading, when map[uint64]time.Time) {
	if b.FirstNumber != before+1 {
		t.Fatalf("after %d came %d", before, b.FirstNumber)
	}
	if size := proto.Size(b); size > MaxMessage-1024 {
		t.Fatalf("a batch of %d bytes", size)
	}
	rows := map[uint64]bool{}
	for row := range b.Rows() {
		want := said[row.Number]
		got := Reading{
			Channel: row.Series.Channel, Unit: row.Series.DeviceUnit, Value: row.DeviceValue(),
			Text: row.DeviceText(), Status: row.DeviceStatus(),
		}
		if times := row.Series.DeviceTime; len(times) > 0 {
			got.DeviceTime = times[row.Index]
		}
		if got != want {
			t.Fatalf("reading %d is %+v, was said as %+v", row.Number, got, want)
		}
		if off := row.At.Sub(when[row.Number]).Abs(); off > time.Microsecond {
			t.Fatalf("reading %d is %v off its time", row.Number, off)
		}
		rows[row.Number] = true
	}
	if len(rows) != int(b.Count) {
		t.Fatalf("%d rows in a batch of %d", len(rows), b.Count)
	}
}

func TestTextIsFitForProtobuf(t *testing.T) {
	st := &store{run: "r", opened: time.Now(), next: 1, limit: DefaultHold}
	for _, text := range []string{"\xff\x00\xfe", strings.Repeat("é", maxText), "", "23.4"} {
		st.add(time.Now(), &Reading{Channel: "mass", Value: math.NaN(), Text: text, Status: text, DeviceTime: text})
	}
	sent := uint64(0)
	b := st.after(&sent, true).GetReadings()
	for _, text := range b.Series[0].DeviceText {
		if !utf8.ValidString(text) || len(text) > maxText+3 {
			t.Errorf("%d bytes of text, valid UTF-8: %t", len(text), utf8.ValidString(text))
		}
	}
	if _, err := proto.Marshal(b); err != nil {
		t.Error(err)
	}
}
