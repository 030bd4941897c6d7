package main

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"sync"
)

// outcomes are those of single recordings, written to a CSV file as they come, so
// that a run that was ended counts for what it did and the next goes on from there.
type outcomes struct {
	file *os.File
	mu   sync.Mutex
	done map[recording]outcome
	err  error // the first in writing
}

// recording is one of a class.
type recording struct {
	class string
	seed  uint64
}

var outcomeHeader = []string{
	"class", "seed", "found", "wrong", "error_s", "error_to_mean_path_s", "u_s", "crb_s", "held", "slip", "timed_by", "first_fix_s", "took_s", "reason",
}

// openOutcomes opens the file in path, or makes it, and reads what it holds.
func openOutcomes(path string) (*outcomes, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_APPEND|os.O_CREATE, 0o644)
	if err != nil {
		return nil, err
	}
	o := &outcomes{file: f, done: map[recording]outcome{}}
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		return nil, errors.Join(fmt.Errorf("%s: %w", path, err), f.Close())
	}
	if len(rows) == 0 {
		o.write(outcomeHeader)
		return o, o.err
	}
	for _, row := range rows[1:] {
		r, out, err := readOutcome(row)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("%s: %w", path, err), f.Close())
		}
		o.done[r] = out
	}
	return o, nil
}

// measure returns what came of a recording: what is written of it, or, when nothing
// is, what comes of it now. Without a file, o is nil.
func (o *outcomes) measure(c class, seed uint64) outcome {
	if o == nil {
		return measure(c, seed)
	}
	r := recording{c.name, seed}
	o.mu.Lock()
	out, ok := o.done[r]
	o.mu.Unlock()
	if ok {
		return out
	}
	out = measure(c, seed)
	o.mu.Lock()
	defer o.mu.Unlock()
	o.done[r] = out
	o.write(out.row(c.name))
	return out
}

func (o *outcomes) write(row []string) {
	w := csv.NewWriter(o.file)
	o.err = errors.Join(o.err, w.Write(row))
	w.Flush()
	o.err = errors.Join(o.err, w.Error())
}

// close tells what went wrong in writing.
func (o *outcomes) close() error {
	if o == nil {
		return nil
	}
	return errors.Join(o.err, o.file.Close())
}

func (o outcome) row(class string) []string {
	yes, number := strconv.FormatBool, func(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }
	return []string{
		class, strconv.FormatUint(o.seed, 10), yes(o.found), yes(o.wrong), number(o.err), number(o.mean), number(o.u), number(o.bound),
		yes(o.held), yes(o.slip), o.timedBy, number(o.firstFix), number(o.took), o.reason,
	}
}

func readOutcome(row []string) (r recording, o outcome, err error) {
	if len(row) != len(outcomeHeader) {
		return r, o, io.ErrUnexpectedEOF
	}
	var errs []error
	yes := func(i int) bool {
		v, err := strconv.ParseBool(row[i])
		errs = append(errs, err)
		return v
	}
	number := func(i int) float64 {
		v, err := strconv.ParseFloat(row[i], 64)
		errs = append(errs, err)
		return v
	}
	r.class = row[0]
	r.seed, err = strconv.ParseUint(row[1], 10, 64)
	o = outcome{
		seed: r.seed, found: yes(2), wrong: yes(3), err: number(4), mean: number(5), u: number(6), bound: number(7),
		held: yes(8), slip: yes(9), timedBy: row[10], firstFix: number(11), took: number(12), reason: row[13],
	}
	return r, o, errors.Join(append(errs, err)...)
}
