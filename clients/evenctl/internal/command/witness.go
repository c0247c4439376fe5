package command

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/evenbench/evenbench/internal/seal"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (p *program) checkpoint() *cobra.Command {
	var signNow bool
	c := &cobra.Command{
		Use:   "checkpoint",
		Short: "Show the lab's public key and what it has signed of the record, or sign it now",
		Long: `checkpoint shows the public key of the lab, and the latest signed checkpoint: how many
entries the record had, and the root of their hash tree. The hub signs by itself, at
least every hour in which something was recorded.`,
		Args: arguments(0, 0, ""),
		RunE: func(c *cobra.Command, _ []string) error {
			client, err := p.handover()
			if err != nil {
				return err
			}
			if signNow {
				if _, err := client.SignCheckpoint(c.Context(), &pb.SignCheckpointRequest{RequestId: p.requestID(), Person: p.person}); err != nil {
					return err
				}
			}
			m, err := client.GetCheckpoint(c.Context(), &pb.GetCheckpointRequest{})
			if err != nil {
				return err
			}
			return p.print(m, func(w io.Writer) error {
				signed := "nothing is signed yet: evenctl checkpoint --sign\n"
				if m.GetCheckpoint() != nil {
					signed = fmt.Sprintf("signed  entries 1 to %d\n\n%s", m.GetCheckpoint().GetSize(), m.GetCheckpoint().GetNote())
				}
				_, err := fmt.Fprintf(w, "key     %s\n%s", m.GetKey(), signed)
				return err
			})
		},
	}
	c.Flags().BoolVar(&signNow, "sign", false, "sign the record as it is now")
	return p.writes(c)
}

func (p *program) witness() *cobra.Command {
	var lab, name string
	c := &cobra.Command{
		Use:   "witness FOLDER --lab KEY",
		Short: "As the other side: see that the lab's record only grows, and sign what was seen",
		Long: `witness is for a buyer, or whoever else must not be shown two different pasts. The
folder keeps the last checkpoint that was seen. Each time it asks the hub for the
latest one and for the proof that the record still begins with all that was seen
before; only then does it sign it with a key of its own, which is made in the folder
the first time. A record that is shorter than it was, or begins otherwise, is refused:
both checkpoints, which the lab has signed, are kept as evidence, and the exit code is 6.

Run it now and then, from cron for instance. If your role lets you, the hub records the
signature; else give the file cosigned in the folder to the lab, which records it with
evenctl cosign.`,
		Example: `  evenctl witness ~/lab-witness --lab lab+0a1b2c3d+AbCd… --name buyer`,
		Args:    arguments(1, 1, "a FOLDER"),
		RunE: func(c *cobra.Command, args []string) error {
			if lab == "" {
				return usage("witness: --lab is missing: ask the lab for its public key, on another way than its hub")
			}
			keys, err := publicKeys([]string{lab})
			if err != nil {
				return err
			}
			w := &witnessing{program: p, folder: args[0], lab: keys[0]}
			return w.run(c.Context(), name)
		},
	}
	c.Flags().StringVar(&lab, "lab", "", "public `key` of the lab, or a file that has it")
	c.Flags().StringVar(&name, "name", seal.Name(userName()), "`name` in the witness's key, when it is made")
	return p.writes(c)
}

func (p *program) cosign() *cobra.Command {
	c := &cobra.Command{
		Use:   "cosign FILE",
		Short: "Record that a witness has signed the lab's checkpoint",
		Args:  arguments(1, 1, "the FILE cosigned of a witness"),
		RunE: func(c *cobra.Command, args []string) error {
			text, err := readAtMost(args[0], 1<<16)
			if err != nil {
				return err
			}
			key, signed, ok := strings.Cut(string(text), "\n")
			if !ok {
				return fmt.Errorf("cosign: %s is not what evenctl witness writes: a line with a key, and a signed checkpoint", args[0])
			}
			answer, err := p.tellCosigned(c.Context(), signed, key)
			if err != nil {
				return err
			}
			return p.done(answer, "recorded: the checkpoint is witnessed by %s", nameOf(key))
		},
	}
	return p.writes(c)
}

func nameOf(key string) string { name, _, _ := strings.Cut(key, "+"); return name }

func (p *program) tellCosigned(ctx context.Context, signed, key string) (*pb.CosignCheckpointResponse, error) {
	client, err := p.handover()
	if err != nil {
		return nil, err
	}
	return client.CosignCheckpoint(ctx, &pb.CosignCheckpointRequest{RequestId: p.requestID(), Person: p.person, Note: signed, Key: key})
}

// Files of a witness's folder.
const (
	witnessKey = "witness.key"
	// seenFile has the last checkpoint that was found good, as the lab signed it.
	seenFile     = "seen"
	cosignedFile = "cosigned"
	evidenceFile = "evidence"
)

// witnessing is one look of a witness.
type witnessing struct {
	*program
	folder string
	lab    note.Verifier
}

func (w *witnessing) run(ctx context.Context, name string) error {
	key, err := w.key(name)
	if err != nil {
		return err
	}
	client, err := w.handover()
	if err != nil {
		return err
	}
	m, err := client.GetCheckpoint(ctx, &pb.GetCheckpointRequest{})
	if err != nil {
		return err
	}
	signed := m.GetCheckpoint().GetNote()
	if signed == "" {
		return errors.New("witness: the lab has not signed its record yet; it does within an hour, or with evenctl checkpoint --sign")
	}
	now, _, err := seal.Open(signed, []note.Verifier{w.lab})
	if err != nil {
		return notHeld{fmt.Errorf("witness: what the hub shows is not signed by the lab whose key was given: %w", err)}
	}
	before, err := w.compare(ctx, client, now, signed)
	if err != nil {
		return err
	}
	both, err := seal.Cosign(signed, []note.Verifier{w.lab}, key)
	if err != nil {
		return err
	}
	if err := errors.Join(w.keep(cosignedFile, key.Public+"\n"+both), w.keep(seenFile, signed)); err != nil {
		return err
	}
	fmt.Fprintf(w.Out, "signed as %s: entries 1 to %d of %s%s\n", key.Name(), now.Size, w.lab.Name(), before)
	if _, err = w.tellCosigned(ctx, both, key.Public); status.Code(err) == codes.PermissionDenied {
		fmt.Fprintf(w.Out, "the hub does not take signatures from you: give %s to the lab\n", filepath.Join(w.folder, cosignedFile))
		return nil
	}
	return err
}

// compare sees whether the record of a checkpoint still begins with all that was seen, and
// says so in words.
func (w *witnessing) compare(ctx context.Context, client pb.HandoverServiceClient, now seal.Checkpoint, signed string) (string, error) {
	text, err := os.ReadFile(filepath.Join(w.folder, seenFile))
	if errors.Is(err, fs.ErrNotExist) {
		return ", for the first time", nil
	}
	if err != nil {
		return "", fmt.Errorf("witness: %w", err)
	}
	seen, _, err := seal.Open(string(text), []note.Verifier{w.lab})
	if err != nil {
		return "", fmt.Errorf("witness: %s: %w: is it of another lab? give each a folder of its own", filepath.Join(w.folder, seenFile), err)
	}
	refuse := func(why error) error {
		return notHeld{errors.Join(fmt.Errorf("witness: the lab's record is not what it was: %w; both signed checkpoints are in %s", why, filepath.Join(w.folder, evidenceFile)),
			w.keep(evidenceFile, string(text)+"\n"+signed))}
	}
	switch {
	case now.Origin != seen.Origin:
		return "", refuse(fmt.Errorf("it was %q and is %q, another one", seen.Origin, now.Origin))
	case now.Size < seen.Size:
		return "", refuse(fmt.Errorf("it had %d entries, and has %d", seen.Size, now.Size))
	}
	answer, err := client.ProveGrowth(ctx, &pb.ProveGrowthRequest{From: uint64(seen.Size), To: uint64(now.Size)})
	if err != nil {
		return "", err
	}
	var proof tlog.TreeProof
	for _, h := range answer.GetProof() {
		if len(h) != tlog.HashSize {
			return "", fmt.Errorf("witness: the hub's proof has a hash of %d bytes", len(h))
		}
		proof = append(proof, tlog.Hash(h))
	}
	if err := seal.CheckGrowth(seen, now, proof); err != nil {
		return "", refuse(err)
	}
	return fmt.Sprintf(", which begin with the %d that were seen before", seen.Size), nil
}

// key reads the witness's key, or makes it.
func (w *witnessing) key(name string) (seal.Key, error) {
	path := filepath.Join(w.folder, witnessKey)
	text, err := os.ReadFile(path)
	if err == nil {
		return seal.ParseKey(strings.TrimSpace(string(text)))
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return seal.Key{}, fmt.Errorf("witness: %w", err)
	}
	if err := os.MkdirAll(w.folder, 0o700); err != nil {
		return seal.Key{}, fmt.Errorf("witness: %w", err)
	}
	key, err := seal.NewKey(rand.Reader, name)
	if err != nil {
		return seal.Key{}, usageError{err}
	}
	if err := w.keep(witnessKey, key.Private+"\n"); err != nil {
		return seal.Key{}, err
	}
	fmt.Fprintf(w.Out, "made a key; its public half, for those who shall believe this witness, is\n%s\n", key.Public)
	return key, nil
}

// keep writes a file that only its owner can read, as a whole.
func (w *witnessing) keep(name, text string) error {
	return toFileOf(filepath.Join(w.folder, name), "witness", 0o600, func(to io.Writer) error { _, err := io.WriteString(to, text); return err })
}
