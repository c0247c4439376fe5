package command

import (
	"context"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// A person who pressed Tab does not wait longer.
const completionTime = time.Second

// complete offers for the nth argument what the nth source knows; the last source
// also serves every argument after.
func complete(sources ...cobra.CompletionFunc) cobra.CompletionFunc {
	return func(c *cobra.Command, args []string, typed string) ([]string, cobra.ShellCompDirective) {
		if len(sources) == 0 {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		return sources[min(len(args), len(sources)-1)](c, args, typed)
	}
}

// ask makes a source of a question to the hub. Where the hub is away there is
// nothing to offer.
func ask(question func(ctx context.Context) ([]string, error)) cobra.CompletionFunc {
	return func(c *cobra.Command, args []string, typed string) ([]string, cobra.ShellCompDirective) {
		ctx := c.Context()
		if ctx == nil {
			ctx = context.Background()
		}
		ctx, cancel := context.WithTimeout(ctx, completionTime)
		defer cancel()
		offers, err := question(ctx)
		if err != nil {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		var fitting []string
		for _, o := range offers {
			if strings.HasPrefix(strings.ToLower(o), strings.ToLower(typed)) {
				fitting = append(fitting, o)
			}
		}
		return fitting, cobra.ShellCompDirectiveNoFileComp
	}
}

// codes offers sample codes, with the lot beside them.
func (p *program) codes() cobra.CompletionFunc {
	return ask(func(ctx context.Context) ([]string, error) {
		records, err := p.list(ctx, "")
		var offers []string
		for _, r := range records {
			offers = append(offers, r.GetSample()+"\t"+r.GetIdentity().GetLot())
		}
		return offers, err
	})
}

// places offers stations; of any kind, or of one.
func (p *program) places(kind pb.StationKind) cobra.CompletionFunc {
	return ask(func(ctx context.Context) ([]string, error) {
		client, err := p.bench()
		if err != nil {
			return nil, err
		}
		r, err := client.ListStations(ctx, &pb.ListStationsRequest{})
		var offers []string
		for _, s := range r.GetStations() {
			if kind == 0 || s.GetStation().GetKind() == kind {
				offers = append(offers, s.GetStation().GetName()+"\t"+show.Words(s.GetStation().GetKind()))
			}
		}
		return offers, err
	})
}

// meters offers instruments.
func (p *program) meters() cobra.CompletionFunc {
	return ask(func(ctx context.Context) ([]string, error) {
		client, err := p.devices()
		if err != nil {
			return nil, err
		}
		r, err := client.ListInstruments(ctx, &pb.ListInstrumentsRequest{})
		var offers []string
		for _, i := range r.GetInstruments() {
			offers = append(offers, i.GetInstrument()+"\t"+show.Words(i.GetState()))
		}
		return offers, err
	})
}

// either offers what several sources know.
func either(sources ...cobra.CompletionFunc) cobra.CompletionFunc {
	return func(c *cobra.Command, args []string, typed string) ([]string, cobra.ShellCompDirective) {
		var offers []string
		for _, s := range sources {
			o, _ := s(c, args, typed)
			offers = append(offers, o...)
		}
		return offers, cobra.ShellCompDirectiveNoFileComp
	}
}

// choices offers the values of an enumeration.
func choices(d protoreflect.EnumDescriptor) cobra.CompletionFunc {
	return cobra.FixedCompletions(show.Choices(d), cobra.ShellCompDirectiveNoFileComp)
}
