package hub

import (
	"context"
	"fmt"
	"maps"
	"net/http"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/ledger"
	"github.com/evenbench/evenbench/internal/metrics"
	"github.com/evenbench/evenbench/internal/space"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// upkeep watches the hub itself: whether the record moves, how much room it has, who
// is behind. Whoever asks gets what was seen last, and never waits for the record.
type upkeep struct {
	version string
	data    string
	log     *zap.Logger
	tally   *tally
	metrics *metrics.Metrics
	scribe  *scribe
	// instruments says how each instrument of the lab is.
	instruments func() []*pb.InstrumentStatus
	subscribers *subscribers
	// uplink copies the record to a centre; nil: none does.
	uplink  atomic.Pointer[ledger.Uplink]
	measure func(folder string) (space.Disk, error)
	started time.Time // on the lab's clock

	// Probes of the record that have succeeded, and when the last one did, on the
	// monotonic clock.
	proofs  atomic.Uint64
	probing atomic.Bool
	proven  atomic.Pointer[time.Time]
	// What of the record was found damaged since the hub checked it as it started.
	damage atomic.Pointer[string]

	mu         sync.Mutex
	forecast   space.Forecast
	lab        string
	unassigned map[string]int
	seen       uint64 // cursor that lab and unassigned are of
}

const (
	// upkeepEvery is how often the record is probed: often enough for the shortest
	// watchdog that anybody sets.
	upkeepEvery = time.Second
	// spaceEvery is how often the disk is measured.
	spaceEvery = time.Minute
	// stuckAfter is how long the record may not move until that is said. A commit
	// may take 10 s.
	stuckAfter = 15 * time.Second
	// warnEvery is the least time between two flags of a disk that fills.
	warnEvery = 24 * time.Hour
)

func newUpkeep(o Options, data string) *upkeep {
	u := &upkeep{
		version: o.Version, data: data, log: o.Log, tally: newTally(), measure: o.Disk,
		subscribers: newSubscribers(o.Clock.Now), started: o.Clock.Now(),
	}
	if u.measure == nil {
		u.measure = space.Measure
	}
	u.metrics = metrics.New(u.reading)
	return u
}

// committed is told of every commit of the ledger.
func (u *upkeep) committed(bytes int, took time.Duration, now time.Time) {
	u.metrics.Commit(took)
	u.tally.grew(now, bytes)
}

// run watches until the hub stops; show is called after every look.
func (u *upkeep) run(stopping <-chan struct{}, show func()) {
	second, minute := time.NewTicker(upkeepEvery), time.NewTicker(spaceEvery)
	defer second.Stop()
	defer minute.Stop()
	for {
		show()
		select {
		case <-stopping:
			return
		case <-minute.C:
			u.lookAtSpace()
		case <-second.C:
			u.probe()
		}
	}
}

// probe proves that the record moves: that the scribe's lock is to be had, and that
// what has been entered gets onto the disk. Where it does not, the probe stays, and no
// other one is sent after it.
func (u *upkeep) probe() {
	if !u.probing.CompareAndSwap(false, true) {
		return
	}
	go func() {
		defer u.probing.Store(false)
		err := u.scribe.read(context.Background(), func(b *book.Book) { u.look(b) })
		if err == nil {
			now := time.Now()
			u.proven.Store(&now)
			u.proofs.Add(1)
		} else if u.scribe.ledger.Held() != nil {
			// It waits for its disk, and tries: another start would do no more.
			u.proofs.Add(1)
		}
	}()
}

// look notes what only the book knows.
func (u *upkeep) look(b *book.Book) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if u.seen != b.Last() {
		u.seen, u.unassigned, u.lab = b.Last(), b.Unassigned(), b.Lab().GetLabName()
	}
}

// stuck returns for how long the record has not moved; 0 if it moves.
func (u *upkeep) stuck() time.Duration {
	last := u.proven.Load()
	if last == nil {
		return 0
	}
	if since := time.Since(*last); since > stuckAfter {
		return since
	}
	return 0
}

// foundDamage notes that the record was damaged while the hub ran.
func (u *upkeep) foundDamage(err error) {
	text := err.Error()
	u.damage.Store(&text)
}

// lookAtSpace measures the disk, and warns if it is nearly full.
func (u *upkeep) lookAtSpace() {
	disk, err := u.measure(u.data)
	record, elsewhere := u.scribe.ledger.StoreBytes()
	if err == nil && !elsewhere {
		record, err = space.Size(filepath.Join(u.data, "ledger"))
	}
	if err != nil {
		u.log.Error("the room for the record is not known", zap.Error(err))
		return
	}
	now := u.scribe.clock.Now()
	f := u.tally.foresee(disk, record, elsewhere, now)
	u.mu.Lock()
	u.forecast = f
	u.mu.Unlock()
	if last := u.tally.lastWarning(); f.Low && (last.IsZero() || now.Sub(last) >= warnEvery) {
		text := fmt.Sprintf("%v: %s", f, makeRoom)
		u.log.Warn("the disk of the record fills", zap.String("what", text))
		u.scribe.note(&pb.Entry{Actor: actorHub, Body: &pb.Entry_FlagRaised{FlagRaised: &pb.FlagRaised{
			Code: pb.FlagCode_FLAG_CODE_DISK_FILLING, Text: text,
		}}})
	}
}

const makeRoom = "make room, or move the data folder to a larger disk; the record itself is never shortened"

func (u *upkeep) room() space.Forecast {
	u.mu.Lock()
	defer u.mu.Unlock()
	f := u.forecast
	if bytes, elsewhere := u.scribe.ledger.StoreBytes(); elsewhere {
		f.Record = bytes // known sooner than the disk is measured again
	}
	return f
}

// reading is what Prometheus is shown.
func (u *upkeep) reading() metrics.Reading {
	last := u.scribe.ledger.Last()
	following := u.following(last)
	r := metrics.Reading{
		Version: u.version, Entries: u.tally.entries(), LastCursor: last, Space: u.room(),
		Well: wellParts(u.uplink.Load() != nil), Lag: lags(following), Subscribers: len(following),
	}
	instruments := u.instruments()
	for _, c := range u.concerns(instruments) {
		if _, whole := r.Well[c.GetPart()]; whole {
			r.Well[c.GetPart()] = false
		}
	}
	u.mu.Lock()
	unassigned := maps.Clone(u.unassigned)
	u.mu.Unlock()
	for _, st := range instruments {
		c := u.tally.instrument(st.GetInstrument())
		r.Instruments = append(r.Instruments, metrics.Instrument{
			Status: st, Readings: c.readings, Unassigned: c.unassigned, Gaps: c.gaps,
			UnassignedMeasurements: unassigned[st.GetInstrument()],
		})
	}
	return r
}

// pages are what HTTP serves for those who keep the hub running.
func (u *upkeep) pages() map[string]http.Handler {
	return map[string]http.Handler{
		"GET /metrics": u.metrics.Handler(),
		"GET /healthz": http.HandlerFunc(u.serveHealth),
	}
}

// statusService answers with what upkeep knows.
type statusService struct {
	pb.UnimplementedStatusServiceServer
	upkeep *upkeep
}

func (s *statusService) GetStatus(context.Context, *pb.GetStatusRequest) (*pb.GetStatusResponse, error) {
	u := s.upkeep
	last := u.scribe.ledger.Last()
	instruments := u.instruments()
	u.mu.Lock()
	lab := u.lab
	u.mu.Unlock()
	f := u.room()
	return &pb.GetStatusResponse{
		HubVersion: u.version, LabName: lab, RecordId: u.scribe.ledger.RecordID(), LastCursor: last,
		LabTime: timestamppb.New(u.scribe.clock.Now()), StartedAt: timestamppb.New(u.started),
		Readings: u.tally.readings(), Space: spaceStatus(f), Subscribers: u.following(last),
		Instruments: instruments, Concerns: u.concerns(instruments),
	}, nil
}

func spaceStatus(f space.Forecast) *pb.SpaceStatus {
	m := &pb.SpaceStatus{RecordBytes: f.Record, FreeBytes: f.Disk.Free, DiskBytes: f.Disk.Total, Low: f.Low, Text: f.String()}
	if f.Known {
		m.GrowthBytesPerDay = &f.PerDay
		if f.PerDay > 0 && !f.Elsewhere {
			m.DaysLeft = &f.Days
		}
	}
	return m
}
