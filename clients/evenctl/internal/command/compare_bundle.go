package command

import (
	"context"
	"io"

	"github.com/evenbench/evenbench/internal/compare"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// compareBundles compares samples of the hub with those that other labs have handed over:
// one side of a sale with the other, by the same code. A sample of a bundle is named by its
// code and the lab that signed it, for two labs may use one code.
func (p *program) compareBundles(ctx context.Context, codes, files, keys, within []string, confidence float64) error {
	var records []*pb.SampleRecord
	if len(codes) > 0 {
		client, err := p.record()
		if err != nil {
			return err
		}
		for _, code := range codes {
			r, err := client.GetSample(ctx, &pb.GetSampleRequest{Sample: code})
			if err != nil {
				return err
			}
			records = append(records, r.GetRecord())
		}
	}
	for _, file := range files {
		_, contents, err := openBundle(file, keys)
		if err != nil {
			return err
		}
		for _, r := range contents.Samples {
			r.Sample += "@" + contents.SignedBy[0]
			records = append(records, r)
		}
	}
	if len(records) < 2 {
		return usage("compare: there is one sample; give two or more, of the hub or in bundles")
	}
	terms, err := tolerances(within, confidence)
	if err != nil {
		return err
	}
	if terms == nil {
		terms = compare.Usual()
	}
	answer, err := compare.Answer(records, compare.Complete(terms, records))
	if err != nil {
		return usageError{err}
	}
	return p.print(answer, func(w io.Writer) error { return p.style().Comparison(w, answer) })
}
