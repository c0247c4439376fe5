package postgres

import (
	"context"

	"github.com/jackc/pgx/v5"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// storeRecords puts sample records in place of what the tables have of those samples. A
// record is as it is now, which may be later than the entries it came with.
func storeRecords(ctx context.Context, tx pgx.Tx, records []*pb.SampleRecord) error {
	if len(records) == 0 {
		return nil
	}
	var codes []string
	var samples, measurements, roasts, marks, findings, verdicts [][]any
	for _, r := range records {
		code, id := r.GetSample(), r.GetIdentity()
		codes = append(codes, code)
		samples = append(samples, []any{
			code, int64(r.GetRevision()), int64(r.GetAsOf()), word(id.GetKind()), id.GetLot(), id.GetIcoMark(), id.GetCoffeeYear(),
			id.GetProcess(), id.GetOrigin(), when(r.GetRegisteredAt()), r.GetQueuedFor(),
		})
		for _, m := range r.GetMeasurements() {
			measurements = append(measurements, []any{
				code, int64(m.GetTaken()), m.GetProperty(), number(m.GetValue()), optional(m.StandardUncertainty), m.GetUnit(), m.GetBasis(),
				word(m.GetQuality()), words(m.GetReasons()), when(m.GetAt()), m.GetStation(), m.GetRoast(),
				m.GetInstrument(), m.GetRun(), int64(m.GetNumber()), m.GetDeviceText(), m.GetCalibration(), m.GetSuperseded(),
			})
		}
		findings = append(findings, findingRows(code, "", r.GetFindings())...)
		verdicts = append(verdicts, verdictRows(code, "", r.GetVerdicts())...)
		for _, x := range r.GetRoasts() {
			roasts = append(roasts, []any{code, x.GetRoast(), x.GetStation(), x.GetInstrument(), when(x.GetChargedAt()), word(x.GetState())})
			for _, k := range x.GetMarks() {
				marks = append(marks, []any{code, x.GetRoast(), word(k.GetKind()), when(k.GetAt()), k.GetElapsedS(), optional(k.BeanCel), k.GetMethod(), k.GetActor()})
			}
			findings = append(findings, findingRows(code, x.GetRoast(), x.GetFindings())...)
			verdicts = append(verdicts, verdictRows(code, x.GetRoast(), x.GetVerdicts())...)
		}
	}
	// What is known of a sample goes with its row.
	if _, err := tx.Exec(ctx, "DELETE FROM sample WHERE sample = ANY ($1)", codes); err != nil {
		return err
	}
	for _, t := range []struct {
		table, columns string
		rows           [][]any
	}{
		{"sample", "sample revision as_of kind lot ico_mark coffee_year process origin registered_at queued_for", samples},
		{"measurement", "sample taken property value standard_uncertainty unit basis quality reasons at station roast instrument run number device_text calibration superseded", measurements},
		{"roast", "sample roast station instrument charged_at state", roasts},
		{"mark", "sample roast mark at elapsed_s bean_cel method actor", marks},
		{"finding", "sample roast finding value unit standard_uncertainty method cursor", findings},
		{"verdict", "sample roast criteria digest subject verdict value standard_uncertainty unit low high source remark", verdicts},
	} {
		if err := copyRows(ctx, tx, t.table, t.columns, t.rows); err != nil {
			return err
		}
	}
	return nil
}

func findingRows(sample, roast string, list []*pb.Finding) (rows [][]any) {
	for _, f := range list {
		rows = append(rows, []any{sample, roast, f.GetName(), number(f.GetValue()), f.GetUnit(), optional(f.StandardUncertainty), f.GetMethod(), int64(f.GetCursor())})
	}
	return rows
}

func verdictRows(sample, roast string, list []*pb.CriteriaVerdict) (rows [][]any) {
	for _, v := range list {
		for _, w := range v.GetWindows() {
			of := w.GetWindow()
			rows = append(rows, []any{
				sample, roast, v.GetCriteria(), v.GetDigest(), of.GetFinding() + of.GetProperty() + of.GetRequirement(), word(w.GetVerdict()),
				optional(w.Value), optional(w.StandardUncertainty), of.GetUnit(), optional(of.Low), optional(of.High), of.GetSource(), w.GetRemark(),
			})
		}
	}
	return rows
}
