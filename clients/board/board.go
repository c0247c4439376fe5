// Package board is the page that stays open at the bench: it shows up to five drums on one
// clock, what needs a person next and why, and what lies where; it takes marks and
// placements; and it shows samples and instruments to whoever reads the record later.
//
// It is an http.Handler over a connection to a hub, and uses nothing but the hub's public
// services. Pages are made here and are complete without a script; the script keeps them
// up to date. Nothing is fetched from elsewhere.
package board

import (
	"context"
	"net/http"
	"sync"

	"go.uber.org/zap"
	"google.golang.org/grpc"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// base is where the board is mounted.
const base = "/board/"

// Options say how the board meets its hub. The zero value is for a hub that knows its
// callers by the connection alone.
type Options struct {
	// Own returns the context of calls that the board makes for all its viewers
	// together; nil: context.Background.
	Own func() context.Context
	// Admit lets a viewer follow the bench, or refuses it. The context ends when it
	// must leave; leave is called when it has. Nil: everybody may.
	Admit func(*http.Request) (ctx context.Context, leave func(), err error)
	// Log takes what goes wrong; nil: nobody does.
	Log *zap.Logger
}

func (o *Options) admit(r *http.Request) (context.Context, func(), error) {
	if o.Admit == nil {
		return r.Context(), func() {}, nil
	}
	return o.Admit(r)
}

// Board serves the pages under /board/. Close must be called, before the server is shut
// down.
type Board struct {
	options Options
	handler http.Handler
	pages   *pages
	watch   *watch
	done    chan struct{}

	record pb.RecordServiceClient
	desk   pb.BenchServiceClient
	gear   pb.InstrumentServiceClient
	panels pb.PanelServiceClient

	mu      sync.Mutex
	screens []*screen
	closed  bool
}

// New returns a board of the hub behind conn. Calls for a viewer carry the context of its
// request.
func New(conn grpc.ClientConnInterface, o Options) *Board {
	if o.Own == nil {
		o.Own = context.Background
	}
	if o.Log == nil {
		o.Log = zap.NewNop()
	}
	b := &Board{
		options: o, pages: newPages(), watch: newWatch(conn, o.Own), done: make(chan struct{}),
		record: pb.NewRecordServiceClient(conn), desk: pb.NewBenchServiceClient(conn), gear: pb.NewInstrumentServiceClient(conn), panels: pb.NewPanelServiceClient(conn),
	}
	mux := http.NewServeMux()
	for _, routes := range []map[string]http.HandlerFunc{b.routes(), b.cupRoutes(), b.panelRoutes()} {
		for pattern, serve := range routes {
			mux.HandleFunc(pattern, serve)
		}
	}
	b.handler = secured(mux)
	return b
}

// routes are the pages and what they do.
func (b *Board) routes() map[string]http.HandlerFunc {
	return map[string]http.HandlerFunc{
		"GET " + base + "{$}":                           b.serveBench,
		"GET " + base + "live":                          b.serveLive,
		"GET " + base + "static/":                       serveStatic,
		"POST " + base + "settings":                     b.settings,
		"POST " + base + "marks":                        b.mark,
		"POST " + base + "looked":                       b.looked,
		"GET " + base + "scan":                          b.scan,
		"GET " + base + "register":                      b.registerPage,
		"POST " + base + "register":                     b.register,
		"POST " + base + "move":                         b.move,
		"GET " + base + "loose":                         b.loosePage,
		"POST " + base + "loose":                        b.assign,
		"GET " + base + "samples":                       b.samplesPage,
		"GET " + base + "samples/{code}":                b.samplePage,
		"GET " + base + "samples/{code}/amend":          b.amendPage,
		"POST " + base + "samples/{code}/amend":         b.amend,
		"POST " + base + "samples/{code}/note":          b.note,
		"GET " + base + "samples/{code}/explain/{name}": b.explainPage,
		"POST " + base + "samples/{code}/undo":          b.undo,
		"GET " + base + "samples/{code}/report":         b.reportPage,
		"GET " + base + "samples/{code}/report.html":    b.reportFile,
		"GET " + base + "samples/{code}/label":          b.labelPage,
		"GET " + base + "labels":                        b.labelsPage,
		"GET " + base + "curves/{file}":                 b.curvePicture,
		"GET " + base + "overlay":                       b.overlayPage,
		"GET " + base + "instruments":                   b.instrumentsPage,
		"GET " + base + "instruments/{name}":            b.instrumentPage,
		"POST " + base + "instruments/{name}":           b.act,
	}
}

// ServeHTTP implements http.Handler.
func (b *Board) ServeHTTP(w http.ResponseWriter, r *http.Request) { b.handler.ServeHTTP(w, r) }

// Close ends what goes on. Closing twice is harmless.
func (b *Board) Close() {
	b.mu.Lock()
	if !b.closed {
		b.closed = true
		close(b.done)
	}
	b.mu.Unlock()
	b.watch.close()
}
