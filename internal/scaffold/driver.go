package scaffold

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"path/filepath"
	"strings"

	"github.com/evenbench/evenbench/clients/python"
	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/plugins/examples"
	"github.com/evenbench/evenbench/proto"
)

// What the drivers that are written out are called where they come from.
const called = "plain-scale"

// language is how a driver is begun in one.
type language struct {
	name string
	// The program, in the package examples.
	main string
	// What the lab file names; NAME stands for the driver's name.
	executable string
	// Others that the program needs beside it.
	files []beside
	// What to do before the driver can run; NAME as above.
	next []string
}

// beside is a file that is written where it stands in a folder, or under the path that
// it has there.
type beside struct {
	from fs.FS
	path string
	flat bool
}

var languages = []language{
	{
		name: "go", main: "go/main.go", executable: "./NAME",
		next: []string{
			"go mod init NAME",
			"go mod edit -replace github.com/evenbench/evenbench=../evenbench    # a clone of it",
			"go mod tidy && go build",
		},
	},
	{
		name: "python", main: "python/driver.py", executable: "./driver.py",
		files: []beside{
			{python.Contract, "contract.py", true},
			{proto.Files, "evenbench/v1/record.proto", false},
			{proto.Files, "evenbench/v1/cupping.proto", false},
			{proto.Files, "evenbench/v1/driver.proto", false},
			{proto.Files, "evenbench/v1/hub.proto", false},
		},
		next: []string{
			"apt-get install python3-grpcio protobuf-compiler libprotobuf-dev protobuf-compiler-grpc    # on Debian",
		},
	},
	{
		name: "node", main: "node/driver.js", executable: "./driver.js",
		files: []beside{
			{examples.Files, "node/package.json", true},
			{proto.Files, "evenbench/v1/record.proto", false},
			{proto.Files, "evenbench/v1/cupping.proto", false},
			{proto.Files, "evenbench/v1/driver.proto", false},
		},
		next: []string{"npm install --no-package-lock"},
	},
}

// Languages in which a driver can be begun.
func Languages() (names []string) {
	for _, l := range languages {
		names = append(names, l.name)
	}
	return names
}

// Driver begins a driver in one of the Languages, in a folder of its name.
func Driver(name, in string) (Start, error) {
	for _, l := range languages {
		if l.name == in {
			return l.start(name)
		}
	}
	return Start{}, fmt.Errorf("there is no start in %q%s", in, document.Meant(in, Languages()))
}

func (l language) start(name string) (Start, error) {
	program, err := renamed(examples.Files, l.main, called, name)
	sheet, sheetErr := renamed(examples.Files, called+".yaml", called, name)
	executable := strings.ReplaceAll(l.executable, "NAME", name)
	sheet = strings.ReplaceAll(sheet, "executable: ./"+name, "executable: "+executable)
	err = errors.Join(err, sheetErr)
	s := Start{Files: []File{
		{Path: filepath.Join(name, path.Base(l.main)), Text: program, Program: l.name != "go"},
		{Path: filepath.Join(name, name+".yaml"), Text: sheet},
	}}
	for _, b := range l.files {
		text, fileErr := renamed(b.from, b.path, called, name)
		err = errors.Join(err, fileErr)
		to := filepath.Join("proto", b.path)
		if b.flat {
			to = path.Base(b.path)
		}
		s.Files = append(s.Files, File{Path: filepath.Join(name, to), Text: text})
	}
	s.Next = append(s.Next, "cd "+name)
	for _, line := range l.next {
		s.Next = append(s.Next, strings.ReplaceAll(line, "NAME", name))
	}
	s.Next = append(s.Next, "evenbench conform "+executable+" --sheet "+name+`.yaml --say '150.02\n'`)
	return s, err
}
