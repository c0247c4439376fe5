package follow_test

import (
	"context"
	"fmt"
	"log"
	"os"
	"path/filepath"

	"github.com/evenbench/evenbench/clients/follow"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Print every measured mass, and go on after a restart where the program left
// off.
func Example() {
	hub := exampleHub() // "127.0.0.1:7413" for the hub on this machine
	defer hub.Stop()

	folder, err := os.MkdirTemp("", "masses") // one that lasts, in a real program
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(folder)

	conn, err := follow.Dial(hub.Address)
	if err != nil {
		log.Fatal(err)
	}
	defer conn.Close()

	f := follow.New(conn, follow.Options{
		Filter:    &pb.EntryFilter{Kinds: []string{"readings"}, Instruments: []string{"reception-scale"}},
		Store:     follow.NewFile(filepath.Join(folder, "masses-position.json")),
		StopAtEnd: true, // leave out to wait for more
	})
	for entry, err := range f.Entries(context.Background()) {
		if err != nil {
			log.Fatal(err)
		}
		for row := range entry.GetReadings().Rows() {
			fmt.Printf("%s %d: %.1f %s\n", row.Series.GetChannel(), row.Number, row.Value, row.Series.GetUnit())
		}
	}

	// Output:
	// mass 1: 312.4 g
	// mass 2: 298.7 g
}
