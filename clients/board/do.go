package board

import (
	"crypto/rand"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// requestID returns the id of a form: the one that it was shown with, so that a form that
// is sent twice acts once.
func requestID(r *http.Request) string {
	if id := r.PostFormValue("request"); id != "" && len(id) <= 64 {
		return id
	}
	return newRequest()
}

func newRequest() string { return "board-" + rand.Text() }

// byScript tells whether the page's script asks, which wants an answer and not a page.
func byScript(r *http.Request) bool { return r.Header.Get(tokenHeader) != "" }

// done answers what was done: a word for the script, else the page where to go on.
func (b *Board) done303(w http.ResponseWriter, r *http.Request, text, to string) {
	if byScript(r) {
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		_, _ = w.Write([]byte(text))
		return
	}
	back := cleanPath(r.PostFormValue("back"), to)
	anchor := ""
	if i := strings.IndexByte(back, '#'); i >= 0 {
		back, anchor = back[:i], back[i:]
	}
	join := "?"
	if strings.Contains(back, "?") {
		join = "&"
	}
	http.Redirect(w, r, base+back+join+"done="+url.QueryEscape(text)+anchor, http.StatusSeeOther)
}

// cleanPath returns a place under the board, and nothing else.
func cleanPath(path, otherwise string) string {
	u, err := url.Parse(path)
	if path == "" || err != nil || u.IsAbs() || u.Host != "" || strings.HasPrefix(path, "/") || strings.Contains(path, "..") || strings.Contains(path, "\\") {
		return otherwise
	}
	return path
}

// failed answers what was not done.
func (b *Board) failed(w http.ResponseWriter, r *http.Request, err error) {
	if byScript(r) {
		http.Error(w, problem(err), httpStatus(err))
		return
	}
	b.refused(w, r, err)
}

// settings keeps how a visitor looks and under which name it acts.
func (b *Board) settings(w http.ResponseWriter, r *http.Request) {
	_ = r.ParseForm()
	v := visitorOf(r)
	if lang := r.PostForm.Get("language"); catalogue[lang] != nil {
		keep(w, r, cookieLang, lang)
		v.Lang = lang
	}
	for _, c := range []struct{ field, cookie string }{{"temperature", cookieTemp}, {"mass", cookieMass}} {
		if x := r.PostForm.Get(c.field); slices.Contains([]string{"Cel", fahrenheit, "g", ounce}, x) {
			keep(w, r, c.cookie, x)
		}
	}
	if r.PostForm.Has("person") {
		keep(w, r, cookiePerson, cleanPerson(r.PostForm.Get("person")))
	}
	b.done303(w, r, v.T("Kept on this screen."), "")
}

// longestAgo is how long ago a mark may be set that could not be sent at once, in real
// time.
const longestAgo = 10 * time.Minute

// mark sets a mark of the roast in a drum, or withdraws it. Ago is how many ms passed on
// the screen between the key and the request.
func (b *Board) mark(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	kind, ok := show.Choice(pb.MarkKind(0).Descriptor(), r.PostFormValue("kind"))
	if !ok {
		http.Error(w, "kind: there is no such mark", http.StatusUnprocessableEntity)
		return
	}
	req := &pb.SetMarkRequest{
		RequestId: requestID(r), Person: v.actor(), Station: r.PostFormValue("station"), Roast: r.PostFormValue("roast"),
		Kind: pb.MarkKind(kind), Reason: r.PostFormValue("reason"), Withdraw: r.PostFormValue("withdraw") != "",
	}
	if req.GetRoast() != "" {
		req.Station = ""
	}
	if ms, err := strconv.ParseInt(r.PostFormValue("ago"), 10, 64); err == nil && ms > 0 && ms <= longestAgo.Milliseconds() {
		b.watch.look(func(bench *bench) {
			req.At = timestamppb.New(bench.now().Add(-time.Duration(float64(ms) * bench.rate * float64(time.Millisecond))))
		})
	}
	done, err := b.desk.SetMark(r.Context(), req)
	if err != nil {
		b.failed(w, r, err)
		return
	}
	word := v.T(show.Words(req.GetKind()))
	text := v.T("%s on %s at %s", word, r.PostFormValue("station"), show.Elapsed(done.GetElapsedS()))
	if req.GetWithdraw() {
		text = v.T("%s withdrawn", word)
	}
	if byScript(r) {
		w.Header().Set("X-Board-Roast", done.GetRoast())
	}
	b.done303(w, r, text, "")
}

// looked notes that a person has looked at a flag: on the sample, or else the station or
// the instrument that it is about.
func (b *Board) looked(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	cursor, _ := strconv.ParseUint(r.PostFormValue("flag"), 10, 64)
	var about *pb.FlagRaised
	b.watch.look(func(bench *bench) {
		for _, f := range bench.flags {
			if f.cursor == cursor {
				about = f.FlagRaised
			}
		}
	})
	if about == nil {
		b.done303(w, r, v.T("Somebody has looked at it already."), "")
		return
	}
	req := &pb.AddNoteRequest{RequestId: "board-looked-" + itoa(cursor), Person: v.actor(), Text: "looked at: " + about.GetText()}
	switch {
	case about.GetSample() != "":
		req.Sample = about.GetSample()
	case about.GetStation() != "":
		req.Station = about.GetStation()
	default:
		req.Instrument = about.GetInstrument()
	}
	if _, err := b.desk.AddNote(r.Context(), req); err != nil {
		b.failed(w, r, err)
		return
	}
	b.done303(w, r, v.T("Noted that you have looked at it."), "")
}

// move queues, unqueues, places or removes a sample.
func (b *Board) move(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	id, who := requestID(r), v.actor()
	station, sample, reason := r.PostFormValue("station"), code(r.PostFormValue("sample")), r.PostFormValue("reason")
	var err error
	var text string
	switch r.PostFormValue("how") {
	case "queue":
		position, _ := strconv.ParseUint(r.PostFormValue("position"), 10, 32)
		_, err = b.desk.QueueSample(r.Context(), &pb.QueueSampleRequest{RequestId: id, Person: who, Station: station, Sample: sample, Position: uint32(position)})
		text = v.T("%s waits for %s.", sample, station)
	case "unqueue":
		_, err = b.desk.UnqueueSample(r.Context(), &pb.UnqueueSampleRequest{RequestId: id, Person: who, Station: station, Sample: sample, Reason: reason})
		text = v.T("%s no longer waits for %s.", sample, station)
	case "place":
		_, err = b.desk.PlaceSample(r.Context(), &pb.PlaceSampleRequest{RequestId: id, Person: who, Station: station, Sample: sample})
		text = v.T("%s lies on %s.", sample, station)
	case "remove":
		_, err = b.desk.RemoveSample(r.Context(), &pb.RemoveSampleRequest{RequestId: id, Person: who, Station: station, Sample: sample, Reason: reason})
		text = v.T("%s is no longer on %s.", sample, station)
	default:
		http.Error(w, "how: queue, unqueue, place or remove", http.StatusUnprocessableEntity)
		return
	}
	if err != nil {
		b.failed(w, r, err)
		return
	}
	b.done303(w, r, text, "samples/"+url.PathEscape(sample))
}

// code returns what was typed or scanned as a lab code: scanners and thumbs add spaces and
// small letters.
func code(typed string) string { return strings.ToUpper(strings.TrimSpace(typed)) }
