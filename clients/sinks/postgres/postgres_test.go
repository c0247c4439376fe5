//go:build unix

package postgres_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"os/signal"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/clients/follow"
	"github.com/evenbench/evenbench/clients/internal/fakehub"
	"github.com/evenbench/evenbench/clients/sinks/postgres"
	"github.com/evenbench/evenbench/internal/peers"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// TestMain is also the program that is killed: a sink, and nothing else.
func TestMain(m *testing.M) {
	if hub := os.Getenv("SINK_TEST_HUB"); hub != "" {
		ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
		err := sink(ctx, hub, os.Getenv("SINK_TEST_DATABASE"), postgres.Options{StopAtEnd: true, OnCommit: func(cursor uint64, _ int) {
			fmt.Println(cursor) // so that the test knows how far it is
		}})
		stop()
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

func sink(ctx context.Context, hub, url string, o postgres.Options) error {
	conn, err := follow.Dial(hub)
	if err != nil {
		return err
	}
	defer conn.Close()
	db, err := pgx.Connect(ctx, url)
	if err != nil {
		return err
	}
	defer db.Close(context.WithoutCancel(ctx))
	return postgres.Run(ctx, conn, db, o)
}

// readings adds batches of readings of two probes to a hub.
func readings(h *fakehub.Hub, batches, rows int) {
	next := func(e *pb.Entry) {
		e.Cursor = uint64(len(h.Entries) + 1)
		h.Entries = append(h.Entries, e)
	}
	next(&pb.Entry{Actor: "hub", Body: &pb.Entry_RunOpened{RunOpened: &pb.RunOpened{
		Instrument: "drum-9-probes", Run: "run-9", Station: "drum-2", Sheet: "three-probes", DeviceIdentity: "SN 9", OpenedAt: fakehub.At(0),
		Channels: []*pb.Channel{{Name: "bean", Quantity: "temperature", Unit: "Cel", Role: "bean"}, {Name: "air", Quantity: "temperature", Unit: "Cel"}},
	}}})
	for b := range batches {
		m := &pb.ReadingBatch{Instrument: "drum-9-probes", Run: "run-9", FirstNumber: uint64(b*rows*2 + 1), Count: uint32(rows * 2), Start: fakehub.At(float64(b))}
		for k, channel := range []string{"bean", "air"} {
			s := &pb.Series{Channel: channel, Quantity: "temperature", Unit: "Cel", DeviceUnit: "Cel", StandardUncertainty: []float64{0.5}, DeviceDecimals: proto.Uint32(1)}
			for i := range rows {
				s.Row = append(s.Row, uint32(2*i+k))
				s.AfterUs = append(s.AfterUs, int32(i*1000))
				s.Value = append(s.Value, math.Round(10*(150+40*math.Sin(float64(b*rows+i)/900)+float64(k)))/10)
			}
			m.Series = append(m.Series, s)
		}
		m.Bindings = []*pb.Binding{{LastRow: uint32(2*rows - 1), Sample: "K-002"}}
		next(&pb.Entry{Actor: "driver", Body: &pb.Entry_Readings{Readings: m}})
	}
}

// told is what the record says of readings: how many, and sums that a missing, repeated or
// changed one would change.
type told struct {
	readings, numbers int64
	values            float64
}

func (x told) String() string {
	return fmt.Sprintf("%d readings, numbers %d, values %.1f", x.readings, x.numbers, x.values)
}

func ofRecord(h *fakehub.Hub) (x told) {
	for _, e := range h.Entries {
		for r := range e.GetReadings().Rows() {
			x.readings++
			x.numbers += int64(r.Number)
			if !math.IsNaN(r.Value) {
				x.values += r.Value
			}
		}
	}
	return x
}

func ofTables(t testing.TB, db *pgx.Conn) (x told) {
	t.Helper()
	if err := db.QueryRow(t.Context(), "SELECT count(*), sum(number)::bigint, coalesce(sum(value), 0) FROM evenbench.reading").Scan(&x.readings, &x.numbers, &x.values); err != nil {
		t.Fatal(err)
	}
	return x
}

func connect(t testing.TB, url string) *pgx.Conn {
	t.Helper()
	db, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close(context.Background()) })
	return db
}

// A sink that is killed again and again in the middle of its work leaves every entry in the
// database, once.
func TestP1_KilledSinkCountsOnce(t *testing.T) {
	url := peers.Postgres(t)
	hub := fakehub.Bench()
	readings(hub, 1200, 10)
	server := fakehub.Start(t, hub)
	start := func() (*exec.Cmd, func() uint64) {
		c := exec.Command(os.Args[0])
		c.Env = append(os.Environ(), "SINK_TEST_HUB="+server.Address, "SINK_TEST_DATABASE="+url)
		c.Stderr = os.Stderr
		out, err := c.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		return c, func() (cursor uint64) {
			if _, err := fmt.Fscanln(out, &cursor); err != nil {
				return 0
			}
			return cursor
		}
	}
	killed := 0
	for _, commits := range []int{1, 3, 20, 7, 11} {
		c, committed := start()
		for range commits {
			if committed() == 0 {
				break
			}
		}
		if err := c.Process.Kill(); err == nil {
			killed++
		}
		_ = c.Wait()
	}
	c, committed := start()
	last := uint64(0)
	for cursor := committed(); cursor != 0; cursor = committed() {
		last = cursor
	}
	if err := c.Wait(); err != nil || last != uint64(len(hub.Entries)) || killed != 5 {
		t.Fatalf("the sink ended at %d of %d, after %d kills: %v", last, len(hub.Entries), killed, err)
	}
	db := connect(t, url)
	if got, want := ofTables(t, db), ofRecord(hub); got.readings != want.readings || got.numbers != want.numbers || math.Abs(got.values-want.values) > 1e-3 {
		t.Errorf("the database has %v, and the record %v", got, want)
	}
	var gaps, cursor int64
	if err := db.QueryRow(t.Context(), "SELECT (SELECT count(*) FROM evenbench.gap), cursor FROM evenbench.position").Scan(&gaps, &cursor); err != nil || gaps != 1 || cursor != int64(last) {
		t.Errorf("%d gaps, to %d: %v", gaps, cursor, err)
	}
}

// The views say what the record says: of samples, roasts, measurements and verdicts as they
// are now, and of readings that were assigned later.
func TestViews(t *testing.T) {
	url := peers.Postgres(t)
	hub := fakehub.Bench()
	readings(hub, 2, 3)
	server := fakehub.Start(t, hub)
	if err := sink(t.Context(), server.Address, url, postgres.Options{StopAtEnd: true}); err != nil {
		t.Fatal(err)
	}
	db := connect(t, url)
	row := func(query string, want ...any) {
		t.Helper()
		rows, err := db.Query(t.Context(), query)
		if err != nil {
			t.Fatal(err)
		}
		got, err := pgx.CollectExactlyOneRow(rows, func(r pgx.CollectableRow) ([]any, error) { return r.Values() })
		if err != nil || fmt.Sprintf("%v", got) != fmt.Sprintf("%v", want) {
			t.Errorf("%s\ngives %v, %v; want %v", query, got, err, want)
		}
	}
	row("SELECT lot, process, moisture, moisture_basis, roasts FROM evenbench.samples WHERE sample = 'K-001'", "LOT-17", "washed", 11.2, "wet", 1)
	row("SELECT lot, station, state, total_time_s, round(loss_in_mass_percent::numeric, 2)::text FROM evenbench.roasts WHERE roast = 'R-1'", "LOT-17", "drum-1", "dropped", 587, "14.18")
	row("SELECT value, standard_uncertainty, unit, quality FROM evenbench.latest_measurements WHERE sample = 'K-001' AND property = 'charge_mass'", 150.2, 0.05, "g", "good")
	row("SELECT verdict, value, low, high FROM evenbench.verdicts WHERE sample = 'K-001' AND subject = 'moisture'", "inside", 11.2, 10, 12)
	row("SELECT elapsed_s, bean_cel, method FROM evenbench.mark WHERE roast = 'R-1' AND mark = 'first_crack'", 512.5, 196.3, "person")
	row("SELECT sample, value FROM evenbench.readings WHERE run = 'run-s' AND number = 2", "K-002", 312.41)
	row("SELECT sample, unit, quantity, channel, instrument FROM evenbench.readings WHERE run = 'run-9' AND number = 3", "K-002", "Cel", "temperature", "bean", "drum-9-probes")

	// What changes is replaced, and the rest stays.
	hub.Change(func() {
		record := proto.CloneOf(hub.Records[0])
		record.AsOf, record.Identity.Lot = uint64(len(hub.Entries)+1), "LOT-99"
		hub.Records[0] = record
		hub.Entries = append(hub.Entries, &pb.Entry{Cursor: record.AsOf, Actor: "ben", RecordedAt: timestamppb.New(fakehub.Morning), Body: &pb.Entry_NoteAdded{NoteAdded: &pb.NoteAdded{Sample: "K-001", Text: "again"}}})
	})
	if err := sink(t.Context(), server.Address, url, postgres.Options{StopAtEnd: true}); err != nil {
		t.Fatal(err)
	}
	row("SELECT count(*), max(lot), (SELECT count(*) FROM evenbench.measurement WHERE sample = 'K-001') FROM evenbench.sample WHERE sample = 'K-001'", 1, "LOT-99", len(hub.Records[0].GetMeasurements()))
}

// Tables of another record, and tables that somebody else writes to, are left alone.
func TestTablesOfOthersAreLeftAlone(t *testing.T) {
	url := peers.Postgres(t)
	hub := fakehub.Bench()
	server := fakehub.Start(t, hub)
	meddled := false
	err := sink(t.Context(), server.Address, url, postgres.Options{StopAtEnd: true, OnCommit: func(cursor uint64, _ int) {
		if meddled {
			return
		}
		meddled = true
		if _, err := connect(t, url).Exec(t.Context(), "UPDATE evenbench.position SET cursor = cursor + 1"); err != nil {
			t.Error(err)
		}
	}})
	if !errors.Is(err, postgres.ErrTaken) {
		t.Errorf("beside another sink: %v", err)
	}
	hub.Change(func() { hub.Info.RecordId = "rec-other" })
	if err := sink(t.Context(), server.Address, url, postgres.Options{StopAtEnd: true}); err == nil {
		t.Error("tables of another record were written to")
	} else {
		t.Log(err)
	}
}

// BenchmarkSink reads a record from a hub over loopback into PostgreSQL with its usual
// settings, which sync each transaction.
func BenchmarkSink(b *testing.B) {
	url := peers.Postgres(b)
	hub := fakehub.Bench()
	readings(hub, 2000, 100) // 400,000 readings
	hub.MessageSize = 64     // about what a hub sends at once while catching up
	server := fakehub.Start(b, hub)
	total := ofRecord(hub).readings
	for b.Loop() {
		db := connect(b, url)
		if _, err := db.Exec(b.Context(), "DROP SCHEMA IF EXISTS evenbench CASCADE"); err != nil {
			b.Fatal(err)
		}
		began := time.Now()
		if err := sink(b.Context(), server.Address, url, postgres.Options{StopAtEnd: true}); err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(total)/time.Since(began).Seconds(), "readings/s")
	}
}
