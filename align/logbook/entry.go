package logbook

import (
	"cmp"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"timeball/align"
	"timeball/align/rate"
)

// FixSchema is the schema of a fix's line.
const FixSchema = "timeball.fix/1"

// Provenance says how a fix came about, so that it can be made again.
type Provenance struct {
	SHA256   string            `json:"sha256,omitempty"`   // of the recording's file, hexadecimal; empty: not kept
	Settings map[string]string `json:"settings,omitempty"` // flags that were in force, by name without dashes
	Program  string            `json:"program,omitempty"`  // version of the program
}

// record is the line of a fix: the fix itself and, when the logbook made the
// line, its provenance.
type record struct {
	align.Fix
	Log *Provenance `json:"log,omitempty"`
}

// Entry is one entry of a logbook.
type Entry struct {
	ID       int64
	LoggedAt time.Time
	Digest   string // SHA-256 of Line, hexadecimal
	// Fix or Adjustment, the other one nil.
	Fix        *align.Fix
	Adjustment *rate.Adjustment
	Provenance Provenance // of a fix
	Line       []byte     // as logged or imported
	// WithdrawnBy is the entry that withdrew this one; 0: it stands.
	WithdrawnBy int64
	// Notes are the texts of notes about this entry.
	Notes []string
}

// KnownError reports an entry that is in the logbook already.
type KnownError struct {
	ID        int64 // the earlier entry
	Recording bool  // the same recording, perhaps measured otherwise; else the very same line
}

func (e *KnownError) Error() string {
	if e.Recording {
		return fmt.Sprintf("this recording is in the logbook as entry %d; to log it anew, withdraw that entry first", e.ID)
	}
	return fmt.Sprintf("this is in the logbook already as entry %d", e.ID)
}

// Append adds a fix of a clock and returns its entry number. A recording that
// a standing entry of this clock already holds gives a KnownError.
func (b *Book) Append(clock string, fix align.Fix, p Provenance) (int64, error) {
	fix.Schema = FixSchema
	r := record{Fix: fix}
	if p.SHA256 != "" || p.Settings != nil || p.Program != "" {
		r.Log = &p
	}
	line, err := json.Marshal(r)
	if err != nil {
		return 0, fmt.Errorf("logbook: fix: %w", err)
	}
	ids, err := b.add(clock, line)
	if err != nil {
		return 0, err
	}
	return ids[0], nil
}

// Adjust adds adjustments of a clock, all or none, and returns their entry
// numbers. One that is in the logbook already gives a KnownError.
func (b *Book) Adjust(clock string, list ...rate.Adjustment) ([]int64, error) {
	lines := make([][]byte, len(list))
	for i, a := range list {
		a.Schema = rate.AdjustmentSchema
		a.At = a.At.UTC()
		var err error
		if lines[i], err = json.Marshal(a); err != nil {
			return nil, fmt.Errorf("logbook: adjustment: %w", err)
		}
	}
	return b.add(clock, lines...)
}

// add commits lines, all or none.
func (b *Book) add(clock string, lines ...[]byte) ([]int64, error) {
	tx, err := b.db.Begin()
	if err != nil {
		return nil, b.explain(err)
	}
	defer tx.Rollback()
	w, err := b.newWriter(tx, clock)
	if err != nil {
		return nil, err
	}
	ids := make([]int64, len(lines))
	for i, line := range lines {
		if ids[i], err = w.add(line); err != nil {
			return nil, err
		}
	}
	return ids, b.explain(tx.Commit())
}

// writer adds lines to one clock within a transaction.
type writer struct {
	book    *Book
	clockID int64
	now     string
	entry   *sql.Stmt
	fix     *sql.Stmt
	same    *sql.Stmt
	tx      *sql.Tx
}

func (b *Book) newWriter(tx *sql.Tx, clock string) (*writer, error) {
	if strings.TrimSpace(clock) == "" {
		return nil, errors.New("logbook: the clock has no name")
	}
	w := &writer{book: b, tx: tx, now: time.Now().UTC().Format(time.RFC3339Nano)}
	if _, err := tx.Exec(`INSERT INTO clock (name) VALUES (?) ON CONFLICT DO NOTHING`, clock); err != nil {
		return nil, b.explain(err)
	}
	if err := tx.QueryRow(`SELECT id FROM clock WHERE name = ?`, clock).Scan(&w.clockID); err != nil {
		return nil, b.explain(err)
	}
	for _, p := range []struct {
		stmt **sql.Stmt
		text string
	}{
		{&w.entry, `INSERT INTO entry (clock_id, kind, logged_at, digest, recording, line) VALUES (?, ?, ?, ?, ?, ?)`},
		{&w.fix, `INSERT INTO fix (entry_id, clock_id, at_ns, offset_s, u_s, common_s, whole_s, stations, digest)
			VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, row_digest(?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8))`},
		{&w.same, `SELECT id FROM entry WHERE clock_id = ? AND digest = ?`},
	} {
		var err error
		if *p.stmt, err = tx.Prepare(p.text); err != nil {
			return nil, b.explain(err)
		}
	}
	return w, nil
}

// add writes one line, which must be a JSON object of a schema known here.
func (w *writer) add(line []byte) (int64, error) {
	e := Entry{Line: line}
	if err := e.parse(); err != nil {
		return 0, err
	}
	e.Digest = hexDigest(line)
	var known int64
	switch err := w.same.QueryRow(w.clockID, e.Digest).Scan(&known); {
	case err == nil:
		return 0, &KnownError{ID: known}
	case !errors.Is(err, sql.ErrNoRows):
		return 0, w.book.explain(err)
	}
	kind, recording := "adjustment", any(nil)
	if e.Fix != nil {
		kind = "fix"
		if e.Provenance.SHA256 != "" {
			recording = e.Provenance.SHA256
			if err := w.refuseKnownRecording(e.Provenance.SHA256); err != nil {
				return 0, err
			}
		}
	}
	result, err := w.entry.Exec(w.clockID, kind, w.now, e.Digest, recording, line)
	if err != nil {
		return 0, w.book.explain(err)
	}
	id, err := result.LastInsertId()
	if err != nil {
		return 0, w.book.explain(err)
	}
	if f := e.Fix; f != nil && measured(f) {
		if _, err := w.fix.Exec(id, w.clockID, f.At.UnixNano(), *f.Offset, *f.U, commonUncertainty(f), f.WholeSeconds, stationIDs(f)); err != nil {
			return 0, w.book.explain(err)
		}
	}
	return id, nil
}

// refuseKnownRecording returns a KnownError when a standing entry holds the
// recording.
func (w *writer) refuseKnownRecording(hash string) error {
	rows, err := w.tx.Query(`SELECT id, digest FROM entry WHERE clock_id = ? AND recording = ?`, w.clockID, hash)
	if err != nil {
		return w.book.explain(err)
	}
	known := map[string]int64{}
	for rows.Next() {
		var id int64
		var digest string
		if err := rows.Scan(&id, &digest); err != nil {
			rows.Close()
			return w.book.explain(err)
		}
		known[digest] = id
	}
	if err := rows.Err(); err != nil {
		return w.book.explain(err)
	}
	if len(known) == 0 {
		return nil
	}
	adjustments, err := w.book.adjustments(w.tx, w.clockID)
	if err != nil {
		return err
	}
	withdrawn := withdrawals(adjustments)
	for digest, id := range known {
		if withdrawn[digest] == 0 {
			return &KnownError{ID: id, Recording: true}
		}
	}
	return nil
}

// measured reports whether a fix can enter the analysis.
func measured(f *align.Fix) bool {
	return f.Verdict == align.Found && f.At != nil && f.Offset != nil && f.U != nil
}

// commonSources begin the names of budget lines that are the same in every fix
// made with one wiring: they cancel in the rate.
var commonSources = []string{"receiver delay", "skew", "marker edge"}

// commonUncertainty is the standard uncertainty from these lines, s.
func commonUncertainty(f *align.Fix) float64 {
	var sum float64
	for _, line := range f.Budget {
		for _, source := range commonSources {
			if strings.HasPrefix(line.Source, source) {
				sum += line.U * line.U
			}
		}
	}
	return math.Min(math.Sqrt(sum), *f.U)
}

// parse fills Fix or Adjustment from Line and checks what the logbook and the
// analysis rely on.
func (e *Entry) parse() error {
	var head struct {
		Schema string `json:"schema"`
	}
	if err := json.Unmarshal(e.Line, &head); err != nil {
		return fmt.Errorf("not a JSON object: %w", err)
	}
	switch head.Schema {
	case FixSchema:
		var r record
		if err := json.Unmarshal(e.Line, &r); err != nil {
			return fmt.Errorf("not a fix: %w", err)
		}
		if r.At != nil && !storable(*r.At) {
			return fmt.Errorf("the time %v is out of range (1678 to 2262)", r.At)
		}
		if r.U != nil && !(*r.U > 0) {
			return fmt.Errorf("u_s is %g, must be positive", *r.U)
		}
		if r.Offset != nil && !(*r.Offset > -0.5 && *r.Offset <= 0.5) {
			return fmt.Errorf("offset_s is %g, must be in (-0.5, 0.5]", *r.Offset)
		}
		e.Fix = &r.Fix
		if r.Log != nil {
			e.Provenance = *r.Log
		}
	case rate.AdjustmentSchema:
		var a rate.Adjustment
		if err := json.Unmarshal(e.Line, &a); err != nil {
			return fmt.Errorf("not an adjustment: %w", err)
		}
		if err := check(&a); err != nil {
			return err
		}
		e.Adjustment = &a
	default:
		return fmt.Errorf("schema is %q, known are %s and %s", head.Schema, FixSchema, rate.AdjustmentSchema)
	}
	return nil
}

// storable reports whether t fits Unix nanoseconds.
func storable(t time.Time) bool { return t.Year() > 1677 && t.Year() < 2262 }

// Plausible says what nobody can mean in an adjustment that was typed: check says what
// the analysis cannot do with. Entries that are there already are read as they are.
func Plausible(a rate.Adjustment) error {
	const (
		coldest, hottest = -90, 100 // °C: the coldest air on record (WMO, Vostok, -89.2), and boiling water
		mostDivisions    = 1e6      // of a dial; one of ten turns and a hundred marks each has a thousand
		mostDivision     = 1e-3     // relative; a minute and a half a day by one division
	)
	within := func(v *float64, low, high float64, what string) error {
		if v != nil && !(*v >= low && *v <= high) { // not a number is neither
			return fmt.Errorf("%s of %g: it lies between %g and %g", what, *v, low, high)
		}
		return nil
	}
	if a.Kind == rate.Dial {
		if a.Trim != nil && *a.Trim == 0 {
			return errors.New("a division of 0 would do nothing: give the change of rate by one, such as 2.5e-10")
		}
		if err := within(a.Trim, -mostDivision, mostDivision, "a division"); err != nil {
			return err
		}
	}
	return cmp.Or(within(a.Celsius, coldest, hottest, "a temperature in degrees Celsius"), within(a.Divisions, -mostDivisions, mostDivisions, "a number of divisions"))
}

// check says what is missing in an adjustment.
func check(a *rate.Adjustment) error {
	if !storable(a.At) {
		return fmt.Errorf("adjustment: the time %v is out of range (1678 to 2262)", a.At)
	}
	missing := func(what string) error { return fmt.Errorf("adjustment of kind %s without %s", a.Kind, what) }
	switch a.Kind {
	case rate.StepMade:
		if a.Step == nil {
			return missing("step_s")
		}
	case rate.Trimmed:
		if a.Trim == nil && a.Divisions == nil {
			return missing("trim_y or divisions")
		}
	case rate.Temperature:
		if a.Celsius == nil {
			return missing("celsius")
		}
	case rate.Dial:
		if a.Trim == nil {
			return missing("trim_y")
		}
	case rate.Withdrawn:
		if a.Entry == "" {
			return missing("entry")
		}
	case rate.Stopped, rate.Moved, rate.Noted:
	default:
		return fmt.Errorf("adjustment of unknown kind %q", a.Kind)
	}
	if a.U != nil && !(*a.U >= 0) {
		return fmt.Errorf("adjustment: u is %g, must not be negative", *a.U)
	}
	return nil
}

// Clocks lists the clocks that have entries by name.
func (b *Book) Clocks() ([]string, error) {
	rows, err := b.db.Query(`SELECT name FROM clock WHERE EXISTS (SELECT 1 FROM entry WHERE clock_id = clock.id) ORDER BY name`)
	if err != nil {
		return nil, b.explain(err)
	}
	defer rows.Close()
	var names []string
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			return nil, b.explain(err)
		}
		names = append(names, name)
	}
	return names, b.explain(rows.Err())
}

// querier is a database or a transaction.
type querier interface {
	Query(query string, args ...any) (*sql.Rows, error)
	QueryRow(query string, args ...any) *sql.Row
}

// clockID finds a clock by name; 0 when the logbook has no such clock.
func (b *Book) clockID(q querier, clock string) (int64, error) {
	var id int64
	err := q.QueryRow(`SELECT id FROM clock WHERE name = ?`, clock).Scan(&id)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, nil
	}
	return id, b.explain(err)
}

// adjustments reads all adjustments of a clock, in the order of logging.
func (b *Book) adjustments(q querier, clockID int64) ([]Entry, error) {
	return b.entries(q, `WHERE clock_id = ? AND kind = 'adjustment'`, clockID)
}

// entries reads entries in the order of logging.
func (b *Book) entries(q querier, where string, args ...any) ([]Entry, error) {
	rows, err := q.Query(`SELECT id, logged_at, digest, line FROM entry `+where+` ORDER BY id`, args...)
	if err != nil {
		return nil, b.explain(err)
	}
	defer rows.Close()
	var entries []Entry
	for rows.Next() {
		var e Entry
		var logged string
		if err := rows.Scan(&e.ID, &logged, &e.Digest, &e.Line); err != nil {
			return nil, b.explain(err)
		}
		if err = e.verify(); err == nil {
			e.LoggedAt, err = time.Parse(time.RFC3339Nano, logged)
		}
		if err == nil {
			err = e.parse()
		}
		if err != nil {
			return nil, b.damaged(e.ID, err)
		}
		entries = append(entries, e)
	}
	return entries, b.explain(rows.Err())
}

// errRotten: bytes are not what was written.
var errRotten = errors.New("it is not what was logged: its digest differs")

// verify checks Line against Digest.
func (e *Entry) verify() error {
	if hexDigest(e.Line) != e.Digest {
		return errRotten
	}
	return nil
}

// damaged is the error of an entry that cannot be read.
func (b *Book) damaged(id int64, err error) error {
	return fmt.Errorf("logbook %s: entry %d: %v: %w", b.path, id, err, ErrDamaged)
}

// Entries reads all entries of a clock in the order of logging, with the notes
// and withdrawals about them.
func (b *Book) Entries(clock string) ([]Entry, error) {
	id, err := b.clockID(b.db, clock)
	if err != nil || id == 0 {
		return nil, err
	}
	entries, err := b.entries(b.db, `WHERE clock_id = ?`, id)
	if err != nil {
		return nil, err
	}
	withdrawn := withdrawals(entries)
	at := make(map[string]int, len(entries))
	for i := range entries {
		entries[i].WithdrawnBy = withdrawn[entries[i].Digest]
		at[entries[i].Digest] = i
	}
	for i := range entries {
		a := entries[i].Adjustment
		if a == nil || a.Kind != rate.Noted || entries[i].WithdrawnBy != 0 {
			continue
		}
		if k, ok := at[a.Entry]; ok {
			entries[k].Notes = append(entries[k].Notes, a.Note)
		}
	}
	return entries, nil
}

// withdrawals maps the digest of each withdrawn entry to the entry that
// withdrew it. A withdrawal that is itself withdrawn does not count.
func withdrawals(entries []Entry) map[string]int64 {
	withdrawn := map[string]int64{}
	for i := len(entries) - 1; i >= 0; i-- { // what withdraws comes after what it withdraws
		e := &entries[i]
		if e.Adjustment != nil && e.Adjustment.Kind == rate.Withdrawn && withdrawn[e.Digest] == 0 {
			withdrawn[e.Adjustment.Entry] = e.ID
		}
	}
	return withdrawn
}

// History reads what the analysis needs of a clock: fixes in order of time,
// and adjustments in order of logging. Withdrawn entries are left out.
func (b *Book) History(clock string) ([]rate.Fix, []rate.Adjustment, error) {
	tx, err := b.db.Begin() // one view of both
	if err != nil {
		return nil, nil, b.explain(err)
	}
	defer tx.Rollback()
	id, err := b.clockID(tx, clock)
	if err != nil || id == 0 {
		return nil, nil, err
	}
	entries, err := b.adjustments(tx, id)
	if err != nil {
		return nil, nil, err
	}
	withdrawn := withdrawals(entries)
	withdrawnIDs, err := b.idsOf(tx, id, withdrawn)
	if err != nil {
		return nil, nil, err
	}
	var adjustments []rate.Adjustment
	for _, e := range entries {
		if withdrawn[e.Digest] == 0 {
			adjustments = append(adjustments, *e.Adjustment)
		}
	}
	var count int
	if err := tx.QueryRow(`SELECT count(*) FROM fix WHERE clock_id = ?`, id).Scan(&count); err != nil {
		return nil, nil, b.explain(err)
	}
	rows, err := tx.Query(`SELECT entry_id, at_ns, offset_s, u_s, common_s, whole_s, stations, digest = `+fixDigest+`
		FROM fix WHERE clock_id = ? ORDER BY at_ns, entry_id`, id)
	if err != nil {
		return nil, nil, b.explain(err)
	}
	defer rows.Close()
	fixes := make([]rate.Fix, 0, count)
	names := map[string]string{} // one copy of each
	for rows.Next() {
		var f rate.Fix
		var ns int64
		var stations string
		var sound bool
		if err := rows.Scan(&f.ID, &ns, &f.Offset, &f.U, &f.UCommon, &f.Whole, &stations, &sound); err != nil {
			return nil, nil, b.explain(err)
		}
		if !sound {
			return nil, nil, b.damaged(f.ID, errRotten)
		}
		if _, ok := names[stations]; !ok {
			names[stations] = stations
		}
		f.Stations = names[stations]
		f.At = time.Unix(0, ns).UTC()
		if !withdrawnIDs[f.ID] {
			fixes = append(fixes, f)
		}
	}
	return fixes, adjustments, b.explain(rows.Err())
}

// idsOf finds the entries with the given digests.
func (b *Book) idsOf(q querier, clockID int64, digests map[string]int64) (map[int64]bool, error) {
	ids := map[int64]bool{}
	for digest := range digests {
		var id int64
		err := q.QueryRow(`SELECT id FROM entry WHERE clock_id = ? AND digest = ?`, clockID, digest).Scan(&id)
		if errors.Is(err, sql.ErrNoRows) {
			continue // a withdrawal imported without the entry it is about
		}
		if err != nil {
			return nil, b.explain(err)
		}
		ids[id] = true
	}
	return ids, nil
}
