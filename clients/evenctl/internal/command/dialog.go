package command

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/evenbench/evenbench/clients/show"
)

// errLeft says that a person left a dialog before its end: nothing was recorded.
var errLeft = errors.New("left; nothing was recorded")

// dialog asks a person at a terminal, a question at a time.
type dialog struct {
	out  io.Writer
	live bool
	// typed are the lines that come in; closed at their end.
	typed chan string
}

// lookEvery is how often a value that a person waits for is shown anew.
const lookEvery = time.Second

// talk begins a dialog. Lines are read until In ends or ctx does.
func (p *program) talk(ctx context.Context) *dialog {
	d := &dialog{out: p.Out, live: p.Live, typed: make(chan string)}
	in := p.In
	if in == nil {
		in = strings.NewReader("")
	}
	go func() {
		defer close(d.typed)
		for lines := bufio.NewScanner(in); lines.Scan(); {
			select {
			case d.typed <- strings.TrimSpace(lines.Text()):
			case <-ctx.Done():
				return
			}
		}
	}()
	return d
}

func (d *dialog) say(format string, args ...any) { fmt.Fprintf(d.out, format, args...) }

// paragraph says something long, in lines that fit the narrowest terminal.
func (d *dialog) paragraph(format string, args ...any) {
	d.say("%s", show.Folded("", fmt.Sprintf(format, args...)))
}

// line waits for a line. q leaves.
func (d *dialog) line(ctx context.Context) (string, error) {
	select {
	case text, ok := <-d.typed:
		if !ok || text == "q" {
			return "", errLeft
		}
		return text, nil
	case <-ctx.Done():
		return "", ctx.Err()
	}
}

// ask asks for a line; what stands in brackets is what Enter alone means.
func (d *dialog) ask(ctx context.Context, question, otherwise string) (string, error) {
	if otherwise != "" {
		question += " [" + otherwise + "]"
	}
	d.say("%s > ", question)
	text, err := d.line(ctx)
	if text == "" {
		text = otherwise
	}
	return text, err
}

// number asks for a number until one comes. A comma is taken for a point.
func (d *dialog) number(ctx context.Context, question, otherwise string) (float64, error) {
	for {
		text, err := d.ask(ctx, question, otherwise)
		if err != nil {
			return 0, err
		}
		v, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
		if err == nil && v-v == 0 {
			return v, nil
		}
		d.say("%q is no number. Type one, such as 99.97; q leaves.\n", text)
	}
}

// menu asks for one of some keys, each said with what it does, and returns it. Enter alone
// means the one that is said first, if that is "Enter".
func (d *dialog) menu(ctx context.Context, keys ...string) (string, error) {
	line := ""
	d.say("\n")
	for _, k := range append(keys, "q: leave") {
		if line != "" && len(line)+len(k)+3 > show.Columns-2 {
			d.say("%s\n", line)
			line = ""
		}
		if line != "" {
			line += "   "
		}
		line += k
	}
	for {
		text, err := d.ask(ctx, line, "")
		if err != nil {
			return "", err
		}
		text = strings.ToLower(text)
		for _, k := range keys {
			if key, _, _ := strings.Cut(k, ":"); key == text || text == "" && key == "Enter" {
				return text, nil
			}
		}
	}
}

// choose lets a person choose one of a list by its number; of one there is no choice. Enter
// alone means the one at usual.
func (d *dialog) choose(ctx context.Context, question string, list []string, usual int) (int, error) {
	if len(list) == 1 {
		d.say("%s  %s\n", question, list[0])
		return 0, nil
	}
	d.say("%s\n", question)
	for i, text := range list {
		d.say("  %d  %s\n", i+1, text)
	}
	for {
		text, err := d.ask(ctx, "number", strconv.Itoa(usual+1))
		if err != nil {
			return 0, err
		}
		if n, err := strconv.Atoi(text); err == nil && n >= 1 && n <= len(list) {
			return n - 1, nil
		}
		d.say("Type a number from 1 to %d; q leaves.\n", len(list))
	}
}

// watch shows what look returns, anew every second, until a person types a line, which it
// returns. On a terminal it is written over.
func (d *dialog) watch(ctx context.Context, look func() (string, error)) (string, error) {
	ticker := time.NewTicker(lookEvery)
	defer ticker.Stop()
	shown := ""
	for {
		text, err := look()
		if err != nil {
			return "", err
		}
		switch {
		case d.live:
			d.say("\r  %-70s", text)
		case text != shown:
			d.say("  %s\n", text)
		}
		shown = text
		select {
		case typed, ok := <-d.typed:
			if !ok || typed == "q" {
				return "", errLeft
			}
			return typed, nil
		case <-ctx.Done():
			return "", ctx.Err()
		case <-ticker.C:
		}
	}
}
