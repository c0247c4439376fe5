package board

import (
	"net/http"
	"net/url"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// formView is a form with what was typed into it, and what is wrong with it.
type formView struct {
	V       visitor
	Request string
	Code    string
	// Values and Problems of fields, by name. Problem is of none of them.
	Values   map[string]string
	Problems map[string]string
	Problem  string
	Kinds    []choice
	// Places are stations and drums where the sample can go on to.
	Places []choice
}

type choice struct{ Value, Word string }

// identityFields are what a person says of a sample, as the services call it.
var identityFields = []string{"kind", "lot", "ico_mark", "coffee_year", "process", "origin"}

func kinds(v visitor) (list []choice) {
	for _, k := range show.Choices(pb.SampleKind(0).Descriptor()) {
		list = append(list, choice{k, v.T(k)})
	}
	return list
}

func newForm(v visitor) formView {
	return formView{V: v, Request: newRequest(), Values: map[string]string{}, Problems: map[string]string{}, Kinds: kinds(v)}
}

// typed takes over what was typed.
func (f *formView) typed(r *http.Request, names ...string) {
	for _, name := range names {
		f.Values[name] = strings.TrimSpace(r.PostFormValue(name))
	}
	if id := r.PostFormValue("request"); id != "" {
		f.Request = id
	}
}

// fails notes what the hub says of the form.
func (f *formView) fails(err error) {
	if field, text := fieldOf(err); field != "" {
		f.Problems[field] = text
	} else {
		f.Problem = text
	}
	// What was refused was not recorded, and the form that is sent next is another one.
	if status.Code(err) != codes.Unavailable && status.Code(err) != codes.DeadlineExceeded {
		f.Request = newRequest()
	}
}

func identityOf(values map[string]string) *pb.SampleIdentity {
	kind, _ := show.Choice(pb.SampleKind(0).Descriptor(), values["kind"])
	return &pb.SampleIdentity{
		Kind: pb.SampleKind(kind), Lot: values["lot"], IcoMark: values["ico_mark"], CoffeeYear: values["coffee_year"],
		Process: values["process"], Origin: values["origin"],
	}
}

func (b *Board) registerPage(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	f := newForm(v)
	f.Values["sample"] = code(r.URL.Query().Get("code"))
	b.show(w, r, http.StatusOK, "register", v.T("Register a sample"), f, "")
}

func (b *Board) register(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	f := newForm(v)
	f.typed(r, append(identityFields, "sample")...)
	f.Values["sample"] = code(f.Values["sample"])
	done, err := b.desk.RegisterSample(r.Context(), &pb.RegisterSampleRequest{
		RequestId: f.Request, Person: v.actor(), Sample: f.Values["sample"], Identity: identityOf(f.Values),
	})
	if err != nil {
		f.fails(err)
		b.show(w, r, httpStatus(err), "register", v.T("Register a sample"), f, "")
		return
	}
	http.Redirect(w, r, base+"scan?code="+url.QueryEscape(done.GetSample())+"&done="+url.QueryEscape(v.T("%s is registered.", done.GetSample())), http.StatusSeeOther)
}

// scanView is what can be done with a sample whose label was scanned or typed.
type scanView struct {
	V       visitor
	Request string
	Code    string
	Record  *pb.SampleRecord
	Lot     string
	// Lies names the stations that it lies on; Waits the drum that it waits for.
	Lies   []string
	Waits  string
	Drums  []where
	Benchs []where
}

// where is a place that a sample can go to.
type where struct {
	Name string
	// Has is the sample that lies there, Queue how many wait.
	Has   string
	Queue int
}

// scan shows what can be done with a code; one that no sample has can be registered.
func (b *Board) scan(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	s := scanView{V: v, Request: newRequest(), Code: code(r.URL.Query().Get("code"))}
	if s.Code == "" {
		http.Redirect(w, r, base, http.StatusSeeOther)
		return
	}
	found, err := b.record.GetSample(r.Context(), &pb.GetSampleRequest{Sample: s.Code})
	if err != nil && status.Code(err) != codes.NotFound && status.Code(err) != codes.InvalidArgument {
		b.refused(w, r, err)
		return
	}
	if err == nil {
		s.Record, s.Lot, s.Waits = found.GetRecord(), found.GetRecord().GetIdentity().GetLot(), found.GetRecord().GetQueuedFor()
	}
	list, err := b.desk.ListStations(r.Context(), &pb.ListStationsRequest{})
	if err != nil {
		b.refused(w, r, err)
		return
	}
	for _, st := range list.GetStations() {
		p := where{Name: st.GetStation().GetName(), Has: st.GetSample(), Queue: len(st.GetQueue())}
		switch st.GetStation().GetKind() {
		case pb.StationKind_STATION_KIND_DRUM:
			s.Drums = append(s.Drums, p)
		case pb.StationKind_STATION_KIND_BENCH:
			s.Benchs = append(s.Benchs, p)
			if p.Has == s.Code {
				s.Lies = append(s.Lies, p.Name)
			}
		}
	}
	b.show(w, r, http.StatusOK, "scan", s.Code, s, "")
}
