package command

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"
	"golang.org/x/mod/sumdb/note"

	"github.com/evenbench/evenbench/internal/handover"
	"github.com/evenbench/evenbench/internal/seal"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (p *program) handover() (pb.HandoverServiceClient, error) {
	conn, err := p.dial()
	return pb.NewHandoverServiceClient(conn), err
}

func (p *program) bundle() *cobra.Command {
	var output, witness string
	c := &cobra.Command{
		Use:   "bundle SAMPLE ... -o FILE",
		Short: "Write a file with the records of samples, signed, for somebody else to check",
		Long: `bundle writes one file with everything that the records of the samples come of: the
entries themselves, what says which instruments they are of and how these were
calibrated, the curves of the roasts, and what proves that the lab's signed record
has them. Whoever gets it checks it with evenctl verify, without the hub.

An entry is in it as a whole: where one names another sample, such as the one that
was put in the place of this one, its code is in the file too. No entry that is only
about other samples is.`,
		Example: `  evenctl bundle K-014 -o K-014.bundle
  evenctl bundle K-014 K-015 --witnessed-by buyer -o offer.bundle`,
		Args:              arguments(1, -1, "the codes of one SAMPLE or more"),
		ValidArgsFunction: complete(p.codes()),
		RunE: func(c *cobra.Command, args []string) error {
			if output == "" {
				return usage("bundle: -o is missing: name the file to write")
			}
			client, err := p.handover()
			if err != nil {
				return err
			}
			own, err := client.GetCheckpoint(c.Context(), &pb.GetCheckpointRequest{})
			if err != nil {
				return err
			}
			ctx, cancel := context.WithTimeout(c.Context(), max(p.timeout, longTimeout))
			defer cancel()
			file, err := receive(ctx, client, &pb.MakeBundleRequest{Samples: args, Witness: witness})
			if err != nil {
				return err
			}
			if err := toFile(output, "bundle", func(w io.Writer) error { _, err := w.Write(file); return err }); err != nil {
				return err
			}
			if p.json {
				_, err := fmt.Fprintf(p.Out, "{\"file\":%q,\"bytes\":%d,\"key\":%q}\n", output, len(file), own.GetKey())
				return err
			}
			_, err = fmt.Fprintf(p.Out, "%s has %d bytes; whoever gets it checks it with\n  evenctl verify %s --key %s\nThe key is the lab's public one: tell it on another way than the file.\n", output, len(file), output, own.GetKey())
			return err
		},
	}
	c.Flags().StringVarP(&output, "output", "o", "", "`file` to write")
	c.Flags().StringVar(&witness, "witnessed-by", "", "have the signature of this witness on it as well, by the `name` in its key")
	return c
}

func receive(ctx context.Context, client pb.HandoverServiceClient, r *pb.MakeBundleRequest) ([]byte, error) {
	stream, err := client.MakeBundle(ctx, r)
	if err != nil {
		return nil, err
	}
	var file []byte
	for {
		m, err := stream.Recv()
		if err == io.EOF {
			return file, nil
		}
		if err != nil {
			return nil, err
		}
		if file = append(file, m.GetPiece()...); len(file) > seal.MostBytes {
			return nil, fmt.Errorf("bundle: the hub sends more than %d bytes", seal.MostBytes)
		}
	}
}

func (p *program) verify() *cobra.Command {
	var keys []string
	var record bool
	c := &cobra.Command{
		Use:   "verify FILE --key KEY",
		Short: "Check a bundle that a lab has handed over, without its hub",
		Long: `verify checks that nothing in a bundle was changed or left out, and that the lab whose
public key is given has signed it. It needs nothing but the file and the key, which
the lab must have told on another way: a key that comes with the file proves nothing.

Where the bundle does not hold, the first thing that is wrong is named, as exactly as
can be said, and the exit code is 6.`,
		Example: `  evenctl verify K-014.bundle --key lab+0a1b2c3d+AbCd…
  evenctl verify K-014.bundle --key lab.pub --record
  evenctl verify offer.bundle --key lab.pub --key buyer.pub`,
		Args: arguments(1, 1, "the FILE of a bundle"),
		RunE: func(c *cobra.Command, args []string) error {
			file, contents, err := openBundle(args[0], keys)
			if err != nil {
				return err
			}
			switch {
			case p.json:
				return lines(p.Out, contents.Samples)
			case !record:
				return p.style().Bundle(p.Out, args[0], len(file), contents)
			}
			for _, r := range contents.Samples {
				if err := p.style().Sample(p.Out, r, false); err != nil {
					return err
				}
			}
			return nil
		},
	}
	c.Flags().StringArrayVar(&keys, "key", nil, "public `key` of the lab, or a file that has it; for a bundle with a witness give its key second")
	c.Flags().BoolVar(&record, "record", false, "show the records of the samples, as their entries come to")
	return c
}

// notHeld is a bundle, or a record, that was changed.
type notHeld struct{ error }

func (e notHeld) Unwrap() error { return e.error }

// openBundle reads and verifies the bundle in a file.
func openBundle(path string, keys []string) ([]byte, *handover.Contents, error) {
	if len(keys) == 0 {
		return nil, nil, usage("%s: --key is missing: ask the lab for its public key, which evenctl checkpoint shows there", path)
	}
	list, err := publicKeys(keys)
	if err != nil {
		return nil, nil, err
	}
	file, err := readAtMost(path, seal.MostBytes)
	if err != nil {
		return nil, nil, err
	}
	contents, err := handover.Open(file, list)
	var altered *seal.Altered
	if errors.As(err, &altered) {
		return nil, nil, notHeld{fmt.Errorf("%s does not hold: %w", path, err)}
	}
	return file, contents, err
}

// publicKeys reads public keys, each given as it is or as the name of a file.
func publicKeys(texts []string) ([]note.Verifier, error) {
	var list []note.Verifier
	for _, text := range texts {
		if content, err := readAtMost(text, 4096); err == nil {
			text = string(bytes.TrimSpace(content))
		}
		v, err := seal.ParsePublic(text)
		if err != nil {
			return nil, usageError{err}
		}
		list = append(list, v)
	}
	return list, nil
}
