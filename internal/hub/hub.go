// Package hub puts the parts together: the ledger, the book, the supervised
// drivers and the services.
package hub

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"net"
	"net/http"
	"path/filepath"
	"reflect"
	"slices"
	"sync"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"

	"github.com/evenbench/evenbench/internal/access"
	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/clock"
	"github.com/evenbench/evenbench/internal/lab"
	"github.com/evenbench/evenbench/internal/ledger"
	"github.com/evenbench/evenbench/internal/problem"
	"github.com/evenbench/evenbench/internal/space"
	"github.com/evenbench/evenbench/internal/supervise"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Options say which lab a hub serves.
type Options struct {
	// Load reads the lab file; again on every reload.
	Load func() (*lab.Lab, problem.List)
	// Driver returns the command that runs one of the hub's own drivers.
	Driver func(name string) []string
	// Disk measures the disk that the data folder lies on; nil: space.Measure.
	Disk func(folder string) (space.Disk, error)
	// Clock of the lab; the zero Clock is real time.
	Clock   clock.Clock
	Version string
	// Random is what the codes of a panel's sessions are drawn from; nil: crypto/rand.
	Random io.Reader
	// Pages returns what is served at /board/, which reaches the services through the
	// door; nil: nothing is.
	Pages func(Door) Pages
	Log   *zap.Logger
}

// Hub is a running hub.
type Hub struct {
	options Options
	log     *zap.Logger
	scribe  *scribe
	notary  *notary
	upkeep  *upkeep
	bench   *supervise.Bench
	// checkpoints shorten the next start; kept is closed when no more are made.
	checkpoints *checkpoints
	kept        chan struct{}
	signs       chan struct{} // closed when nothing more is signed
	health      *health.Server
	grpc        *grpc.Server
	http        *http.Server
	guard       *access.Guard
	pages       Pages // nil: there are none
	grpcOn      net.Listener
	httpOn      net.Listener

	mu  sync.Mutex // guards lab, and makes reloads wait for each other
	lab *lab.Lab

	channels sync.Map // of instrument: []normalize.Channel
	devices  sync.Map // of instrument: the identity that the lab file states, a string
	checks   sync.Map // of instrument: []lab.ChannelCheck
	stopping chan struct{}
	failed   chan error
}

// mostStarts bounds how often a hub begins anew because entries of the one before it have
// arrived while it read the record.
const mostStarts = 5

// Start opens the ledger, finishes what an earlier hub could not, serves, and
// starts the drivers. The hub runs until Stop.
func Start(ctx context.Context, o Options) (h *Hub, err error) {
	for range mostStarts {
		if h, err = start(ctx, o); !errors.Is(err, ledger.ErrFenced) {
			return h, err
		}
		o.Log.Warn("entries of the hub before this one have arrived: it begins anew", zap.Error(err))
	}
	return nil, err
}

func start(ctx context.Context, o Options) (*Hub, error) {
	l, problems := o.Load()
	if err := problems.Err(); err != nil {
		return nil, err
	}
	h := &Hub{options: o, log: o.Log, lab: l, guard: access.NewGuard(l.Access, o.Log), stopping: make(chan struct{}), kept: make(chan struct{}), signs: make(chan struct{}), failed: make(chan error, 4)}
	h.upkeep = newUpkeep(o, l.Data)
	if err := h.openRecord(ctx, l); err != nil {
		return nil, err
	}
	if err := errors.Join(h.listen(l), h.recordLab(ctx, l, actorHub)); err != nil {
		return nil, errors.Join(err, h.closeListeners(), h.scribe.ledger.Close())
	}
	recorder := newRecorder(h.scribe, h.log, h.normalized, h.stated)
	h.bench = supervise.NewBench(supervise.Options{Dir: filepath.Join(l.Data, "drivers"), Recorder: recorder, Log: h.log})
	if err := h.serve(recorder); err != nil {
		return nil, errors.Join(err, h.closeListeners(), h.scribe.ledger.Close())
	}
	if l.Centre != nil {
		h.upkeep.uplink.Store(h.scribe.ledger.Copy(l.Centre))
	}
	if err := first(h.closeStrays(ctx, recorder, l), h.applyFirst(ctx, l)); err != nil {
		return nil, errors.Join(err, h.Stop(ctx))
	}
	return h, nil
}

// openRecord folds the ledger into the book, and records the rest of a step that an
// earlier hub began.
func (h *Hub) openRecord(ctx context.Context, l *lab.Lab) error {
	h.checkpoints = newCheckpoints(l.Data, h.log)
	f, sealed := h.checkpoints.read()
	opened, err := h.openLedger(ctx, l, f, sealed)
	if err != nil && sealed != nil {
		h.checkpoints.drop(err)
		f = newFold()
		opened, err = h.openLedger(ctx, l, f, nil)
	}
	if err != nil {
		return err
	}
	folded, owed, err := f.finish(ctx, opened, h.log)
	if err != nil {
		return errors.Join(fmt.Errorf("fold the record in %s: %w", l.Data, err), opened.Close())
	}
	if folded.Last() == 0 {
		first := &pb.Entry{Cursor: opened.Last(), Body: &pb.Entry_RecordOpened{RecordOpened: opened.Opened()}}
		folded.Apply(first)
		h.upkeep.tally.add(first)
	}
	if have, want := opened.Opened().GetClockRate(), h.options.Clock.Rate(); have != want {
		return errors.Join(fmt.Errorf("open the record in %s: it was made at %g times real time, and this hub runs at %g: a simulated record cannot become a real one; use another data folder",
			l.Data, have, want), opened.Close())
	}
	key, err := labKey(l.Data, l.Name, h.log)
	if err != nil {
		return errors.Join(err, opened.Close())
	}
	h.scribe = &scribe{clock: h.options.Clock, ledger: opened, book: folded, tally: h.upkeep.tally}
	h.notary = newNotary(f.proofs, h.scribe, key, h.log)
	h.upkeep.scribe = h.scribe
	h.scribe.mu.Lock()
	defer h.scribe.mu.Unlock()
	shown := folded.Now()
	h.scribe.enterAll(owed, ignore)
	h.scribe.seeClock(shown)
	return nil
}

// openLedger folds the ledger behind what is sealed of it.
func (h *Hub) openLedger(ctx context.Context, l *lab.Lab, f *fold, sealed *ledger.Sealed) (*ledger.Ledger, error) {
	h.upkeep.tally = f.tally
	return ledger.Open(ctx, ledger.Options{
		Dir: filepath.Join(l.Data, "ledger"), HubVersion: h.options.Version, Clock: h.options.Clock, Log: h.log,
		Committed: func(bytes int, took time.Duration) { h.upkeep.committed(bytes, took, h.options.Clock.Now()) },
		Sealed:    sealed,
		Visit:     f.visit,
		Cluster:   l.Store,
	})
}

// recordLab records under which lab file everything after it is recorded.
func (h *Hub) recordLab(ctx context.Context, l *lab.Lab, person string) error {
	loaded := &pb.LabLoaded{LabName: l.Name, Digest: l.Digest, Stations: l.Stations, Criteria: l.Criteria, Parity: l.Parity, DecisionRules: l.Decisions}
	e := &pb.Entry{Body: &pb.Entry_LabLoaded{LabLoaded: loaded}}
	sign(ctx, e, person)
	return h.scribe.record(ctx, e)
}

// closeStrays closes the runs of instruments that have left the lab file while no hub
// ran.
func (h *Hub) closeStrays(ctx context.Context, r *recorder, l *lab.Lab) error {
	var strays []string
	if err := h.scribe.read(ctx, func(b *book.Book) {
		for _, m := range b.OpenRuns() {
			if l.Instrument(m.GetInstrument()) == nil {
				strays = append(strays, m.GetInstrument())
			}
		}
	}); err != nil {
		return err
	}
	for _, name := range strays {
		if err := r.closeLeft(ctx, name); err != nil {
			return err
		}
	}
	return nil
}

func (h *Hub) applyFirst(ctx context.Context, l *lab.Lab) error {
	_, err := h.bench.Apply(ctx, h.specs(l))
	return err
}

func (h *Hub) specs(l *lab.Lab) []supervise.Spec {
	specs := make([]supervise.Spec, len(l.Instruments))
	for i, in := range l.Instruments {
		h.channels.Store(in.Name, in.Channels)
		h.devices.Store(in.Name, in.Identity)
		h.checks.Store(in.Name, in.Checks)
		specs[i] = h.spec(in)
	}
	return specs
}

func (h *Hub) spec(in *lab.Instrument) supervise.Spec {
	argv := append([]string{in.Executable}, in.Arguments...)
	if in.Executable == "" {
		argv = h.options.Driver(in.Driver)
	}
	return supervise.Spec{
		Instrument: in.Name, Station: in.Station, Argv: argv, Pin: in.Pin,
		Sheet: in.Sheet.Name, SheetDigest: in.Sheet.Digest, Raw: in.Sheet.Raw, Link: in.Link,
		Channels: in.Descriptions(), Clock: h.options.Clock, Fingerprint: in.Fingerprint(),
	}
}

// Reload reads the lab file again and restarts only what changed. A lab file with
// mistakes changes nothing.
func (h *Hub) Reload(ctx context.Context, person string) (supervise.Changes, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	l, problems := h.options.Load()
	if len(problems) > 0 {
		return supervise.Changes{}, refuse(pb.ErrorReason_ERROR_REASON_LAB_FILE_INVALID,
			"the lab file has mistakes, and the lab goes on as it was:\n%v", problems)
	}
	if l.Data != h.lab.Data || l.Listen != h.lab.Listen || !reflect.DeepEqual([]any{l.Store, l.Centre}, []any{h.lab.Store, h.lab.Centre}) {
		return supervise.Changes{}, refuse(pb.ErrorReason_ERROR_REASON_LAB_FILE_INVALID,
			"data and listen cannot change while the hub runs; they were %s, %v, and are %s, %v: restart the hub", h.lab.Data, h.lab.Listen, l.Data, l.Listen)
	}
	if guardChanged(l, h.lab) {
		return supervise.Changes{}, refuse(pb.ErrorReason_ERROR_REASON_LAB_FILE_INVALID,
			"access cannot be added or taken away while the hub runs, and the lab goes on as it was: restart the hub")
	}
	if err := h.recordLab(ctx, l, person); err != nil {
		return supervise.Changes{}, err
	}
	h.guard.Replace(l.Access)
	changes, err := h.bench.Apply(ctx, h.specs(l))
	if err != nil {
		return changes, err
	}
	h.lab = l
	h.log.Info("lab file reloaded", zap.String("by", asker(ctx, person)), zap.Strings("started", changes.Started),
		zap.Strings("stopped", changes.Stopped), zap.Strings("restarted", changes.Restarted), zap.Int("unchanged", changes.Unchanged))
	return changes, nil
}

// Progress counts proofs that the record moves: one a second, unless it is stuck.
func (h *Hub) Progress() uint64 { return h.upkeep.proofs.Load() }

// Failed delivers an error when the hub cannot go on: it must be stopped then.
func (h *Hub) Failed() <-chan error { return h.failed }

// GRPC returns the address that gRPC is served on, HTTP that of JSON over HTTP.
func (h *Hub) GRPC() string { return h.grpcOn.Addr().String() }

// HTTP returns the address that JSON over HTTP is served on.
func (h *Hub) HTTP() string { return h.httpOn.Addr().String() }

// callsEnd is how long calls have to end by themselves.
const callsEnd = 2 * time.Second

// Stop ends the hub in order: the drivers hand over what they hold, calls end, the
// ledger is closed. What is not done when ctx ends is cut short; nothing that was
// acknowledged is lost by that.
func (h *Hub) Stop(ctx context.Context) error {
	h.health.Shutdown()
	err := h.bench.Stop(ctx)
	close(h.stopping)
	if h.pages != nil {
		h.pages.Close()
	}
	graceful := make(chan struct{})
	go func() {
		h.grpc.GracefulStop()
		close(graceful)
	}()
	ended, cancel := context.WithTimeout(ctx, callsEnd)
	defer cancel()
	_ = h.http.Shutdown(ended)
	select {
	case <-graceful:
	case <-ended.Done():
	}
	if u := h.upkeep.uplink.Load(); u != nil {
		u.Close()
	}
	<-h.kept
	err = errors.Join(err, h.scribe.ledger.Close())
	<-h.signs
	h.grpc.Stop()
	return errors.Join(err, h.http.Close())
}

// listen takes the addresses first, so that two hubs do not both start drivers.
func (h *Hub) listen(l *lab.Lab) (err error) {
	if h.grpcOn, err = net.Listen("tcp", l.Listen.GRPC); err != nil {
		return fmt.Errorf("listen for gRPC on %s: %w; set listen: {grpc: …} in the lab file", l.Listen.GRPC, err)
	}
	if h.httpOn, err = net.Listen("tcp", l.Listen.HTTP); err != nil {
		return fmt.Errorf("listen for HTTP on %s: %w; set listen: {http: …} in the lab file", l.Listen.HTTP, err)
	}
	if l.Access != nil {
		h.grpcOn, h.httpOn = bounded(h.grpcOn), bounded(h.httpOn)
	}
	return nil
}

func (h *Hub) closeListeners() error {
	var errs []error
	for _, l := range []net.Listener{h.grpcOn, h.httpOn} {
		if l != nil {
			errs = append(errs, l.Close())
		}
	}
	return errors.Join(errs...)
}

// Limits of a call. A request is a few names; what it answers may be long. A
// client may ask every so often whether the hub is still there.
const (
	largestRequest  = 1 << 20
	mostStreams     = 1000
	shortestPingGap = 10 * time.Second
)

func (h *Hub) serve(recorder *recorder) error {
	h.grpc = grpc.NewServer(append(h.serverOptions(), grpc.ForceServerCodecV2(newWireCodec()),
		grpc.MaxRecvMsgSize(largestRequest), grpc.MaxConcurrentStreams(mostStreams),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: shortestPingGap, PermitWithoutStream: true}))...)
	record := &recordService{scribe: h.scribe, version: h.options.Version, stopping: h.stopping, subscribers: h.upkeep.subscribers, past: make(chan struct{}, 1)}
	instruments := &instrumentService{bench: h.bench, recorder: recorder, reload: h.Reload, checks: h.checksOf, stopping: h.stopping}
	panels := newPanelService(h)
	if err := panels.seatAll(context.Background()); err != nil {
		return err
	}
	handover := &handoverService{notary: h.notary, making: make(chan struct{}, 1)}
	within := newInward(h.guard)
	for _, to := range []grpc.ServiceRegistrar{h.grpc, within} {
		pb.RegisterRecordServiceServer(to, record)
		pb.RegisterBenchServiceServer(to, &benchService{scribe: h.scribe})
		pb.RegisterInstrumentServiceServer(to, instruments)
		pb.RegisterCalibrationServiceServer(to, &calibrationService{recorder: recorder, instruments: instruments, checks: h.checksOf})
		pb.RegisterCompareServiceServer(to, &compareService{scribe: h.scribe})
		pb.RegisterMatchingServiceServer(to, &matchingService{scribe: h.scribe})
		pb.RegisterDecisionServiceServer(to, &decisionService{scribe: h.scribe})
		pb.RegisterStatusServiceServer(to, &statusService{upkeep: h.upkeep})
		pb.RegisterPanelServiceServer(to, panels)
		pb.RegisterHandoverServiceServer(to, handover)
	}
	h.upkeep.instruments = instruments.observed
	h.health = health.NewServer()
	shown := &healthShown{server: h.health, centre: h.lab.Centre != nil, services: slices.Collect(maps.Keys(h.grpc.GetServiceInfo()))}
	healthpb.RegisterHealthServer(h.grpc, h.health)
	reflection.Register(h.grpc)

	gateway, err := newGateway(h.grpc, h.guard, record, h.shown(within))
	if err != nil {
		return err
	}
	h.http = &http.Server{
		Handler: gateway, ReadHeaderTimeout: 5 * time.Second, IdleTimeout: 2 * time.Minute,
		ErrorLog: zap.NewStdLog(h.log),
	}
	go func() { h.report("serve gRPC", h.grpc.Serve(h.grpcOn)) }()
	go func() { h.report("serve HTTP", h.serveHTTP()) }()
	go h.watchLedger()
	go h.keepCheckpoints()
	go h.notarize()
	h.upkeep.lookAtSpace()
	h.upkeep.probe()
	go h.upkeep.run(h.stopping, func() {
		list := instruments.observed()
		shown.show(h.upkeep.concerns(list), list)
	})
	return nil
}

func (h *Hub) report(doing string, err error) {
	if err != nil && !errors.Is(err, http.ErrServerClosed) && !errors.Is(err, grpc.ErrServerStopped) {
		h.failed <- fmt.Errorf("%s: %w", doing, err)
	}
}

// ledgerCheck is how often the ledger is asked whether it can still be written.
const ledgerCheck = time.Second

// watchLedger reports a ledger that will not be written any more: then nothing is
// acknowledged, the drivers hold what they measure, and a new hub goes on.
func (h *Hub) watchLedger() {
	ticker := time.NewTicker(ledgerCheck)
	defer ticker.Stop()
	for {
		select {
		case <-h.stopping:
			return
		case <-ticker.C:
			if err := h.scribe.ledger.Err(); err != nil {
				h.health.Shutdown()
				h.failed <- fmt.Errorf("write the record: %w", err)
				return
			}
		}
	}
}
