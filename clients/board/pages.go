package board

import (
	"bytes"
	"context"
	"embed"
	"errors"
	"html/template"
	"io"
	"net/http"
	"strconv"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"go.uber.org/zap"
)

//go:embed pages/*.html
var pageFiles embed.FS

//go:embed static
var staticFiles embed.FS

// serveStatic serves the stylesheet and the script, which are compiled in.
func serveStatic(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Cache-Control", "no-cache")
	http.ServeFileFS(w, r, staticFiles, "static/"+strings.TrimPrefix(r.URL.Path, base+"static/"))
}

// pages are the templates: one for each page within the frame that all share, and the
// parts that are also sent by themselves.
type pages struct {
	parts *template.Template
	whole map[string]*template.Template
}

func newPages() *pages {
	frame := template.Must(template.ParseFS(pageFiles, "pages/frame.html", "pages/parts.html"))
	p := &pages{parts: frame, whole: map[string]*template.Template{}}
	files, err := pageFiles.ReadDir("pages")
	if err != nil {
		panic(err) // they are compiled in
	}
	for _, f := range files {
		name := strings.TrimSuffix(f.Name(), ".html")
		if name == "frame" || name == "parts" {
			continue
		}
		p.whole[name] = template.Must(template.Must(frame.Clone()).ParseFS(pageFiles, "pages/"+f.Name()))
	}
	return p
}

// part writes a part of the bench by its id in the page.
func (p *pages) part(w io.Writer, id string, view any) error {
	name := id
	for _, suffix := range []string{"-who", "-now", "-do"} {
		if strings.HasSuffix(id, suffix) {
			name = "lane" + suffix
		}
	}
	return p.parts.ExecuteTemplate(w, name, view)
}

// page is what every page knows.
type page struct {
	V     visitor
	Token string
	Title string
	// Here is the page's own place under the board, "samples".
	Here string
	// Lab is the name of the lab, as far as it is known.
	Lab  string
	Base string
	// Done is what has just been done, Failed what could not be.
	Done, Failed string
	Languages    []struct{ Code, Name string }
	Data         any
}

// show writes a page. A problem with a field is shown beside the field by the page itself.
func (b *Board) show(w http.ResponseWriter, r *http.Request, code int, name, title string, data any, failed string) {
	v := visitorOf(r)
	p := page{
		V: v, Token: tokenOf(r.Context()), Title: title, Here: name, Base: base, Failed: failed, Languages: languages, Data: data,
		Done: r.URL.Query().Get("done"),
	}
	if failed == "" {
		p.Failed = r.URL.Query().Get("failed")
	}
	b.watch.look(func(bench *bench) { p.Lab = bench.lab })
	var out bytes.Buffer
	if err := b.pages.whole[name].ExecuteTemplate(&out, "frame", p); err != nil {
		b.options.Log.Error("make a page of the board", zap.String("page", name), zap.Error(err))
		http.Error(w, "this page could not be made; the hub's log says why", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(code)
	_, _ = out.WriteTo(w)
}

// refused says in words what the hub did not do.
func (b *Board) refused(w http.ResponseWriter, r *http.Request, err error) {
	if r.Context().Err() != nil {
		return
	}
	b.show(w, r, httpStatus(err), "problem", "", nil, problem(err))
}

// problem is what the hub says of a call that it refused, or that it could not be
// reached.
func problem(err error) string {
	st := status.Convert(err)
	switch {
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded), st.Code() == codes.DeadlineExceeded:
		return "the hub gave no answer in time: see that it runs, and try again"
	case st.Code() == codes.Unavailable && st.Message() == "":
		return "the hub cannot be reached: see that it runs, and try again"
	}
	return st.Message()
}

func httpStatus(err error) int {
	switch status.Code(err) {
	case codes.InvalidArgument, codes.FailedPrecondition, codes.OutOfRange, codes.AlreadyExists:
		return http.StatusUnprocessableEntity
	case codes.NotFound:
		return http.StatusNotFound
	case codes.Unauthenticated:
		return http.StatusUnauthorized
	case codes.PermissionDenied:
		return http.StatusForbidden
	case codes.Unavailable, codes.DeadlineExceeded:
		return http.StatusServiceUnavailable
	}
	return http.StatusInternalServerError
}

// fieldOf splits what the hub says of a field into the field's name and the problem;
// the name is empty where it is of none.
func fieldOf(err error) (field, text string) {
	text = problem(err)
	if status.Code(err) != codes.InvalidArgument && status.Code(err) != codes.AlreadyExists && status.Code(err) != codes.NotFound {
		return "", text
	}
	name, rest, ok := strings.Cut(text, ": ")
	if !ok || strings.ContainsAny(name, " \"") {
		return "", text
	}
	return strings.TrimPrefix(name, "identity."), rest
}

type tokenKey struct{}

func withToken(ctx context.Context, token string) context.Context {
	return context.WithValue(ctx, tokenKey{}, token)
}

func tokenOf(ctx context.Context) string {
	token, _ := ctx.Value(tokenKey{}).(string)
	return token
}

// printed prints a number with so many decimals, and no minus nought.
func printed(value float64, decimals int) string {
	s := strconv.FormatFloat(value, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return s
}
