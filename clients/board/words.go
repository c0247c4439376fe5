package board

import (
	"embed"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// The catalogue: a file for each language but English, whose texts are the keys. What is
// not in it is shown in English.
//
//go:embed words/*.json
var wordFiles embed.FS

// languages that the board speaks, with their own names. English comes first, and is what
// is spoken to whoever asks for none of them.
var languages = []struct{ Code, Name string }{{"en", "English"}, {"es", "Español"}}

var catalogue = readCatalogue()

func readCatalogue() map[string]map[string]string {
	all := map[string]map[string]string{"en": {}}
	for _, l := range languages[1:] {
		data, err := wordFiles.ReadFile("words/" + l.Code + ".json")
		words := map[string]string{}
		if err == nil {
			err = json.Unmarshal(data, &words)
		}
		if err != nil {
			panic(fmt.Sprintf("board: the words of %s: %v", l.Code, err)) // it is compiled in, and tested
		}
		all[l.Code] = words
	}
	return all
}

// translate returns a text of the catalogue in a language, with what is put into it.
func translate(language, key string, args ...any) string {
	text, ok := catalogue[language][key]
	if !ok {
		text = key
	}
	if len(args) == 0 {
		return text
	}
	return fmt.Sprintf(text, args...)
}

// spoken returns the language that a request asks for.
func spoken(r *http.Request) string {
	for _, part := range strings.Split(r.Header.Get("Accept-Language"), ",") {
		code, _, _ := strings.Cut(strings.TrimSpace(part), ";")
		code, _, _ = strings.Cut(strings.ToLower(code), "-")
		if slices.ContainsFunc(languages, func(l struct{ Code, Name string }) bool { return l.Code == code }) {
			return code
		}
	}
	return languages[0].Code
}

// flagWords names a flag, as the catalogue has it.
func flagWords(code pb.FlagCode) string { return show.Words(code) }

// spaced shows a name of the record as words: "received mass".
func spaced(name string) string { return strings.ReplaceAll(name, "_", " ") }

func itoa(n uint64) string { return strconv.FormatUint(n, 10) }

// instrumentOf returns the instrument that a part of the hub's health is; empty if it is
// another part.
func instrumentOf(part string) string {
	name, ok := strings.CutPrefix(part, "instrument/")
	if !ok {
		return ""
	}
	return name
}
