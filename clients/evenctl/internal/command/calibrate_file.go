package command

import (
	"bytes"
	"fmt"
	"os"

	"github.com/goccy/go-yaml"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// planFile is a calibration as a file has it.
type planFile struct {
	Instrument string      `yaml:"instrument"`
	Channel    string      `yaml:"channel"`
	ID         string      `yaml:"id"`
	Form       string      `yaml:"form"`
	Since      string      `yaml:"since"`
	Until      string      `yaml:"until"`
	Reason     string      `yaml:"reason"`
	Low        *float64    `yaml:"low"`
	High       *float64    `yaml:"high"`
	Limit      float64     `yaml:"residual_limit"`
	Run        string      `yaml:"run"`
	Plunge     string      `yaml:"plunge"`
	Points     []pointFile `yaml:"points"`
}

type pointFile struct {
	Means       string   `yaml:"means"`
	Name        string   `yaml:"name"`
	Class       string   `yaml:"class"`
	Reference   float64  `yaml:"reference"`
	Uncertainty float64  `yaml:"uncertainty"`
	Pressure    float64  `yaml:"pressure_kpa"`
	Read        *float64 `yaml:"read"`
	Scatter     float64  `yaml:"read_uncertainty"`
	Readings    string   `yaml:"readings"`
	Run         string   `yaml:"run"`
	LeftOut     string   `yaml:"left_out"`
}

// largestPlan of a file, bytes; more is no plan.
const largestPlan = 1 << 20

// readPlan reads a calibration from a file.
func (p *program) readPlan(path string) (*pb.CalibrationPlan, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, usage("read the calibration: %v", err)
	}
	if !info.Mode().IsRegular() || info.Size() > largestPlan {
		return nil, usage("read the calibration %s: it is no file of at most %d bytes", path, largestPlan)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, usage("read the calibration: %v", err)
	}
	var f planFile
	if err := yaml.NewDecoder(bytes.NewReader(data), yaml.Strict()).Decode(&f); err != nil {
		return nil, usage("read the calibration %s: %v", path, err)
	}
	plan, err := p.planOf(f)
	if err != nil {
		return nil, usage("%s: %v", path, err)
	}
	return plan, nil
}

func (p *program) planOf(f planFile) (*pb.CalibrationPlan, error) {
	plan := &pb.CalibrationPlan{
		Instrument: f.Instrument, Channel: f.Channel, Id: f.ID, Reason: f.Reason, Low: f.Low, High: f.High, ResidualLimit: f.Limit,
	}
	if f.Form != "" {
		n, err := choice("form", plan.Form.Descriptor(), f.Form)
		if err != nil {
			return nil, err
		}
		plan.Form = pb.CalibrationForm(n)
	}
	var err error
	if plan.From, err = p.day("since", f.Since, false); err != nil {
		return nil, err
	}
	if plan.Until, err = p.day("until", f.Until, true); err != nil {
		return nil, err
	}
	for i, point := range f.Points {
		is, err := point.point(f.Run)
		if err != nil {
			return nil, fmt.Errorf("point %d: %w", i+1, err)
		}
		plan.Points = append(plan.Points, is)
	}
	if f.Plunge != "" {
		plan.PlungeRun = f.Run
		if plan.PlungeFirstNumber, plan.PlungeLastNumber, err = numbers(f.Plunge); err != nil {
			return nil, err
		}
	}
	return plan, nil
}

func (f pointFile) point(run string) (*pb.CalibrationPoint, error) {
	point := &pb.CalibrationPoint{
		Reference: f.Reference, ReferenceUncertainty: f.Uncertainty, ReadUncertainty: f.Scatter, Name: f.Name,
		WeightClass: f.Class, PressureKpa: f.Pressure, LeftOut: f.LeftOut,
	}
	n, err := choice("means", point.Means.Descriptor(), f.Means)
	if err != nil {
		return nil, err
	}
	point.Means = pb.ReferenceMeans(n)
	switch {
	case f.Read != nil && f.Readings != "":
		return nil, fmt.Errorf("read is %g, and readings are %q: give one of the two", *f.Read, f.Readings)
	case f.Read != nil:
		point.Read = *f.Read
	case f.Readings != "":
		point.FirstNumber, point.LastNumber, err = numbers(f.Readings)
		if point.Run = f.Run; f.Run == "" {
			point.Run = run
		}
	default:
		return nil, fmt.Errorf("read is missing: what the instrument showed, or the numbers of its readings: 1200-1260")
	}
	return point, err
}
