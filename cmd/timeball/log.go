package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"timeball/align/logbook"
	"timeball/align/rate"
	"timeball/cmd/timeball/internal/text"
	"timeball/cmd/timeball/internal/wholefile"
)

// logCmd is the command log.
type logCmd struct {
	bookFlags

	List     logListCmd     `cmd:"" help:"List fixes and adjustments in order of time."`
	Show     logShowCmd     `cmd:"" help:"Show one entry whole."`
	Adjust   logAdjustCmd   `cmd:"" help:"Log what was done to the clock."`
	Dial     logDialCmd     `cmd:"" help:"Log what one division of the trimmer's dial does."`
	Note     logNoteCmd     `cmd:"" help:"Log a note, about an entry or about the clock."`
	Withdraw logWithdrawCmd `cmd:"" help:"Withdraw a mistaken entry; it stays, but no longer counts."`
	Export   logExportCmd   `cmd:"" help:"Write all entries of a clock as JSON lines or CSV."`
	Import   logImportCmd   `cmd:"" help:"Read JSON lines or CSV into the logbook."`
}

func (logCmd) Help() string {
	return `The logbook keeps the fixes of "listen" and "replay --log" and what was done to the clock in between. Signs: an offset is local clock minus UTC, positive ahead.

  timeball log adjust --retard 12ms --lower 3e-10 --anticlockwise 1.5
  timeball log note "lamp room heated" --entry 41
  timeball log list --since 2026-03-01`
}

// bookFlags choose a clock in a logbook.
type bookFlags struct {
	Clock   string `default:"main" placeholder:"NAME" help:"Clock that the entries are about (${default})."`
	Logbook string `placeholder:"FILE" help:"Logbook to use instead of the one in the data folder."`
}

// path of the logbook.
func (f bookFlags) path() (string, error) {
	if f.Logbook != "" {
		return f.Logbook, nil
	}
	return logbook.DefaultPath()
}

// open opens the logbook.
func (f bookFlags) open() (*logbook.Book, error) {
	path, err := f.path()
	if err != nil {
		return nil, err
	}
	return logbook.Open(path)
}

// read opens the logbook for reading alone.
func (f bookFlags) read() (*logbook.Book, error) {
	path, err := f.path()
	if err != nil {
		return nil, err
	}
	b, err := logbook.OpenReadOnly(path)
	if errors.Is(err, fs.ErrNotExist) {
		err = errEmptyBook
		if f.Logbook != "" {
			err = fmt.Errorf("there is no logbook %s: correct --logbook, or add fixes to it with listen, replay --log or log import", f.Logbook)
		}
	}
	return b, err
}

var errEmptyBook = errors.New("the logbook is empty: add fixes with listen, replay --log or log import")

// empty is what to say of a clock without entries.
func (f bookFlags) empty(b *logbook.Book) error {
	clocks, err := b.Clocks()
	if err != nil {
		return err
	}
	if len(clocks) == 0 {
		return errEmptyBook
	}
	return fmt.Errorf("the logbook has no entries of a clock %q; it has: %s", f.Clock, strings.Join(clocks, ", "))
}

type logListCmd struct {
	Since time.Time `placeholder:"TIME" day:"" help:"Only entries from this time on, RFC 3339, or from a day on: 2026-03-14."`
	Until time.Time `placeholder:"TIME" day:"" help:"Only entries before this time, or before a day."`
	Kind  []string  `placeholder:"KIND" help:"Only these kinds: fix, step, trim, stop, move, temperature, dial, note, withdraw."`
	JSON  bool      `name:"json" help:"Write the entries' own JSON, a line each."`
}

// AfterApply checks the flags, for kong.
func (c logListCmd) AfterApply() error {
	kinds := []string{"fix"}
	for _, k := range rate.Kinds {
		kinds = append(kinds, string(k))
	}
	for _, k := range c.Kind {
		if !slices.Contains(kinds, k) {
			return usageError{fmt.Errorf("--kind %s: there is no such kind; there are %s", k, strings.Join(kinds, ", "))}
		}
	}
	return nil
}

func (c logListCmd) Run(p *program, l *logCmd) error {
	b, err := l.read()
	if err != nil {
		return err
	}
	defer b.Close()
	entries, err := b.Entries(l.Clock)
	if err != nil {
		return err
	}
	if len(entries) == 0 {
		return l.empty(b)
	}
	slices.SortStableFunc(entries, func(a, b logbook.Entry) int { return happened(&a).Compare(happened(&b)) })
	w := tabwriter.NewWriter(p.stdout, 0, 0, 2, ' ', 0)
	if !c.JSON {
		fmt.Fprintln(w, "entry\ttime (UTC)\tkind\tvalue (offset: local - UTC, + ahead; ± 95 %)\tremarks")
	}
	for i := range entries {
		e := &entries[i]
		if !c.wants(e) {
			continue
		}
		if c.JSON {
			fmt.Fprintf(p.stdout, "%s\n", e.Line)
			continue
		}
		kind, at, value, remarks := text.Entry(e)
		when := "unknown"
		if at != nil {
			when = at.UTC().Format("2006-01-02 15:04:05")
		}
		if e.WithdrawnBy != 0 {
			remarks = append(remarks, fmt.Sprintf("withdrawn by entry %d", e.WithdrawnBy))
		}
		for _, note := range e.Notes {
			remarks = append(remarks, "note: "+note)
		}
		fmt.Fprintf(w, "%d\t%s\t%s\t%s\t%s\n", e.ID, when, kind, value, text.Plain(strings.Join(remarks, "; ")))
	}
	return w.Flush()
}

// happened is when what an entry tells of was; zero when it is not known.
func happened(e *logbook.Entry) time.Time {
	if _, at, _, _ := text.Entry(e); at != nil {
		return *at
	}
	return time.Time{}
}

// wants reports whether an entry passes the filters.
func (c logListCmd) wants(e *logbook.Entry) bool {
	kind, at, _, _ := text.Entry(e)
	if len(c.Kind) > 0 {
		if !slices.Contains(c.Kind, kind) {
			return false
		}
	}
	if c.Since.IsZero() && c.Until.IsZero() {
		return true
	}
	return at != nil && !at.Before(c.Since) && (c.Until.IsZero() || at.Before(c.Until))
}

type logShowCmd struct {
	Entry int64 `arg:"" help:"Number of the entry, from log list."`
	JSON  bool  `name:"json" help:"Print the entry's line of JSON alone, as it is kept."`
}

func (c logShowCmd) Run(p *program, l *logCmd) error {
	b, err := l.read()
	if err != nil {
		return err
	}
	defer b.Close()
	e, err := l.find(b, c.Entry)
	if err != nil {
		return err
	}
	if c.JSON {
		_, err := fmt.Fprintln(p.stdout, string(e.Line))
		return err
	}
	fmt.Fprintf(p.stdout, "entry %d of clock %s, logged %s\n", e.ID, text.Plain(l.Clock), e.LoggedAt.Format(time.RFC3339))
	if e.WithdrawnBy != 0 {
		fmt.Fprintf(p.stdout, "withdrawn by entry %d\n", e.WithdrawnBy)
	}
	for _, note := range e.Notes {
		fmt.Fprintf(p.stdout, "note: %s\n", text.Plain(note))
	}
	return text.WriteEntry(p.stdout, e)
}

// find finds an entry of the clock by number.
func (f bookFlags) find(b *logbook.Book, id int64) (*logbook.Entry, error) {
	entries, err := b.Entries(f.Clock)
	if err != nil {
		return nil, err
	}
	for i := range entries {
		if entries[i].ID == id {
			return &entries[i], nil
		}
	}
	return nil, fmt.Errorf("clock %q has no entry %d; log list shows what there is", f.Clock, id)
}

// when is the flag --time of what is logged by hand.
type when struct {
	Time time.Time `placeholder:"TIME" help:"When it was done, RFC 3339 (now)."`
}

// AfterApply refuses what has not been done yet.
func (w when) AfterApply() error {
	if w.Time.After(time.Now().Add(time.Minute)) {
		return usageError{fmt.Errorf("--time %s lies in the future: log what is done when it is done", w.Time.Format(time.RFC3339))}
	}
	return nil
}

func (w when) at() time.Time {
	if w.Time.IsZero() {
		return time.Now().UTC().Truncate(time.Second)
	}
	return w.Time.UTC()
}

// largestTrim is the largest relative change of frequency that a clock's adjustment
// makes: a pendulum's, by 2 mm of its metre (half of that in frequency).
const largestTrim = 1e-3

type logAdjustCmd struct {
	when
	Advance       *measuredTime  `placeholder:"12ms[±0.1ms]" help:"The phase was advanced: the tick now comes earlier." xor:"phase"`
	Retard        *measuredTime  `placeholder:"12ms[±0.1ms]" help:"The phase was retarded: the tick now comes later." xor:"phase"`
	Raise         *measuredRatio `placeholder:"3e-10[±3e-11]" help:"The oscillator's frequency was raised by this much." xor:"trim"`
	Lower         *measuredRatio `placeholder:"3e-10[±3e-11]" help:"The oscillator's frequency was lowered by this much." xor:"trim"`
	Clockwise     *float64       `placeholder:"N" help:"The dial was turned clockwise by N divisions." xor:"dial"`
	Anticlockwise *float64       `placeholder:"N" help:"The dial was turned anticlockwise by N divisions." xor:"dial"`
	Restarted     bool           `help:"The clock was stopped and restarted: its offset and rate are new."`
	Moved         bool           `help:"The clock was carried elsewhere: its rate may be new."`
	Celsius       *float64       `placeholder:"T" help:"Temperature at the clock, degrees Celsius."`
	Note          string         `placeholder:"TEXT" help:"Remark."`
}

func (logAdjustCmd) Help() string {
	return text.MachineryCaution + `

Several things done at one time make several entries. ± is the 95 % half-width; left out, 10 % of a step and 20 % of a trim are assumed.

  timeball log adjust --retard 12ms --anticlockwise 1.5 --time 2026-03-14T19:00:00Z`
}

func (c logAdjustCmd) Run(p *program, l *logCmd) error {
	var list []rate.Adjustment
	add := func(a rate.Adjustment) {
		a.At, a.Note = c.at(), c.Note
		list = append(list, a)
	}
	step := func(sign float64, m *measuredTime) {
		by := sign * m.value
		add(rate.Adjustment{Kind: rate.StepMade, Step: &by, U: m.u})
	}
	if c.Advance != nil {
		step(1, c.Advance)
	}
	if c.Retard != nil {
		step(-1, c.Retard)
	}
	var trim rate.Adjustment
	var wild error
	ratio := func(sign float64, m *measuredRatio) {
		by := sign * m.value
		if math.Abs(by) > largestTrim {
			wild = usageError{fmt.Errorf("log adjust: a trim by %g is a minute and a half a day and more: give the relative change of frequency, such as 3e-10", by)}
		}
		trim.Trim, trim.U = &by, m.u
	}
	if c.Raise != nil {
		ratio(1, c.Raise)
	}
	if c.Lower != nil {
		ratio(-1, c.Lower)
	}
	if c.Clockwise != nil {
		trim.Divisions = c.Clockwise
	}
	if c.Anticlockwise != nil {
		n := -*c.Anticlockwise
		trim.Divisions = &n
	}
	if trim.Trim != nil || trim.Divisions != nil {
		trim.Kind = rate.Trimmed
		add(trim)
	}
	if c.Restarted {
		add(rate.Adjustment{Kind: rate.Stopped})
	}
	if c.Moved {
		add(rate.Adjustment{Kind: rate.Moved})
	}
	if c.Celsius != nil {
		add(rate.Adjustment{Kind: rate.Temperature, Celsius: c.Celsius})
	}
	if wild != nil {
		return wild
	}
	if len(list) == 0 {
		return usageError{errors.New("log adjust: say what was done, for example --retard 12ms")}
	}
	return l.log(p, list...)
}

// log adds adjustments and says their numbers.
func (l *logCmd) log(p *program, list ...rate.Adjustment) error {
	for _, a := range list {
		if err := logbook.Plausible(a); err != nil {
			return usageError{err}
		}
	}
	b, err := l.open()
	if err != nil {
		return err
	}
	defer b.Close()
	ids, err := b.Adjust(l.Clock, list...)
	if err != nil {
		return err
	}
	for i, id := range ids {
		fmt.Fprintf(p.stdout, "entry %d: %s\n", id, list[i].Kind)
	}
	return nil
}

type logDialCmd struct {
	when
	Division measuredSigned `arg:"" help:"Change of rate by one division clockwise, for example 2.5e-10 or 2.5e-10±5e-11; after -- when negative."`
}

func (c logDialCmd) Run(p *program, l *logCmd) error {
	return l.log(p, rate.Adjustment{At: c.at(), Kind: rate.Dial, Trim: &c.Division.value, U: c.Division.u})
}

type logNoteCmd struct {
	when
	Text  string `arg:"" help:"The note."`
	Entry int64  `placeholder:"N" help:"Entry that the note is about."`
}

func (c logNoteCmd) Run(p *program, l *logCmd) error {
	return l.about(p, rate.Adjustment{At: c.at(), Kind: rate.Noted, Note: c.Text}, c.Entry)
}

type logWithdrawCmd struct {
	when
	Entry  int64  `arg:"" help:"Number of the entry. Withdrawing a withdrawal restores what it withdrew."`
	Reason string `arg:"" help:"Why."`
}

func (c logWithdrawCmd) Run(p *program, l *logCmd) error {
	return l.about(p, rate.Adjustment{At: c.at(), Kind: rate.Withdrawn, Note: c.Reason}, c.Entry)
}

// about logs something about an entry, 0: about none.
func (l *logCmd) about(p *program, a rate.Adjustment, id int64) error {
	if id != 0 {
		b, err := l.read()
		if err != nil {
			return err
		}
		defer b.Close()
		e, err := l.find(b, id)
		if err != nil {
			return err
		}
		a.Entry = e.Digest
	}
	return l.log(p, a)
}

type logExportCmd struct {
	File    string `arg:"" optional:"" help:"File to write; left out, standard output. .csv gives CSV."`
	CSV     bool   `name:"csv" help:"Write CSV, which holds what the analysis needs; JSON lines hold all."`
	Yes     bool   `help:"Write over a file that exists without asking."`
	Salvage bool   `help:"Read a damaged logbook entry by entry and write what can be read."`
}

func (c logExportCmd) Run(p *program, l *logCmd) error {
	var done logbook.Salvaged
	write := func(w io.Writer) (err error) {
		done, err = l.salvage(w)
		return err
	}
	said := func() error { return l.saySalvaged(p, done) }
	if !c.Salvage {
		said = func() error { return nil }
		b, err := l.read()
		if err != nil {
			return err
		}
		defer b.Close()
		if clocks, err := b.Clocks(); err != nil {
			return err
		} else if !slices.Contains(clocks, l.Clock) {
			return l.empty(b)
		}
		export := b.ExportLines
		if isTable(c.File, c.CSV) {
			export = b.ExportTable
		}
		write = func(w io.Writer) error { return export(l.Clock, w) }
	}
	if c.File == "" || c.File == "-" {
		if err := write(p.stdout); err != nil {
			return err
		}
		return said()
	}
	if err := l.checkTargets(c.File); err != nil {
		return err
	}
	if _, err := os.Lstat(c.File); err == nil && !c.Yes {
		asked, yes := p.confirm(c.File + " exists. Write over it?")
		switch {
		case !asked:
			return fmt.Errorf("log export: %s exists: --yes writes over it", c.File)
		case !yes:
			return fmt.Errorf("log export: %s stays as it is", c.File)
		}
	}
	if err := wholefile.Write(c.File, write); err != nil {
		return err
	}
	return said()
}

// salvage writes what can be read of a damaged logbook. Nothing is a failure.
func (f bookFlags) salvage(out io.Writer) (logbook.Salvaged, error) {
	path, err := f.path()
	if err != nil {
		return logbook.Salvaged{}, err
	}
	done, err := logbook.Salvage(path, f.Clock, out)
	if err == nil && done.Read+done.Carved == 0 {
		err = fmt.Errorf("logbook %s: nothing of clock %s can be read", path, f.Clock)
	}
	return done, err
}

// saySalvaged says what was salvaged, and fails if anything is missing.
func (f bookFlags) saySalvaged(p *program, done logbook.Salvaged) error {
	fmt.Fprintf(p.stderr, "%d entries of clock %s read\n", done.Read, text.Plain(f.Clock))
	if done.Lost > 0 {
		fmt.Fprintf(p.stderr, "%d entry numbers of any clock unreadable\n", done.Lost)
	}
	if done.Carved > 0 {
		fmt.Fprintf(p.stderr, "%d entries found loose in the file, more may be lost: if it held several clocks, sort them before importing\n", done.Carved)
	}
	if done.Untrue > 0 {
		fmt.Fprintf(p.stderr, "%d entries left out: they are not what was logged, for their digests differ\n", done.Untrue)
	}
	if !done.Whole() {
		return errReported
	}
	return nil
}

// isTable reports whether a file is to be CSV.
func isTable(file string, flag bool) bool {
	return flag || strings.EqualFold(filepath.Ext(file), ".csv")
}

type logImportCmd struct {
	Files []string `arg:"" help:"Files to read; - is standard input. .csv is read as CSV, all else as JSON lines."`
	CSV   bool     `name:"csv" help:"Read as CSV whatever the name."`
}

func (c logImportCmd) Run(p *program, l *logCmd) error {
	b, err := l.open()
	if err != nil {
		return err
	}
	defer b.Close()
	for _, name := range c.Files {
		done, err := c.read(p, l, b, name)
		if err != nil {
			return fmt.Errorf("%s: %w; nothing of it was imported", name, err)
		}
		fmt.Fprintf(p.stdout, "%s: %d entries imported", name, done.Added)
		if done.Known > 0 {
			fmt.Fprintf(p.stdout, ", %d were in the logbook already", done.Known)
		}
		fmt.Fprintln(p.stdout)
	}
	return nil
}

func (c logImportCmd) read(p *program, l *logCmd, b *logbook.Book, name string) (logbook.Imported, error) {
	in := p.stdin
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return logbook.Imported{}, err
		}
		defer f.Close()
		in = f
	}
	if isTable(name, c.CSV) {
		return b.ImportTable(l.Clock, &bounded{Reader: in, most: mostTable})
	}
	return b.ImportLines(l.Clock, &bounded{Reader: in, most: mostLines})
}

// measuredTime is a flag like 12ms±0.1ms: a size, not negative, in seconds, and
// its standard uncertainty, nil when none is given. ± is the 95 % half-width.
type measuredTime struct {
	value float64
	u     *float64
}

func (m *measuredTime) UnmarshalText(text []byte) error {
	seconds := func(s string) (float64, error) {
		d, err := time.ParseDuration(s)
		if err != nil || d < 0 {
			return 0, fmt.Errorf("%q is not a time like 12ms, not negative", s)
		}
		return d.Seconds(), nil
	}
	var err error
	m.value, m.u, err = parseMeasured(string(text), seconds)
	return err
}

// measuredRatio is a flag like 3e-10±3e-11, not negative.
type measuredRatio struct {
	value float64
	u     *float64
}

func (m *measuredRatio) UnmarshalText(text []byte) error {
	var err error
	m.value, m.u, err = parseMeasured(string(text), func(s string) (float64, error) {
		v, err := parseRatio(s)
		if err == nil && v < 0 {
			err = fmt.Errorf("%q is negative: use the opposite flag", s)
		}
		return v, err
	})
	return err
}

// measuredSigned is like measuredRatio and may be negative.
type measuredSigned struct {
	value float64
	u     *float64
}

func (m *measuredSigned) UnmarshalText(text []byte) error {
	var err error
	m.value, m.u, err = parseMeasured(string(text), parseRatio)
	return err
}

func parseRatio(s string) (float64, error) {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || v-v != 0 {
		return 0, fmt.Errorf("%q is not a number like 3e-10", s)
	}
	return v, nil
}

// parseMeasured splits value±half-width.
func parseMeasured(text string, parse func(string) (float64, error)) (value float64, u *float64, err error) {
	size, half, stated := strings.Cut(text, "±")
	if value, err = parse(strings.TrimSpace(size)); err != nil || !stated {
		return value, nil, err
	}
	h, err := parse(strings.TrimSpace(half))
	if err != nil {
		return 0, nil, err
	}
	if h < 0 {
		return 0, nil, fmt.Errorf("the uncertainty %q is negative", half)
	}
	h /= 1.96
	return value, &h, nil
}
