package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/BurntSushi/toml"
	"github.com/alecthomas/kong"
)

// BeforeResolve gives the flags that the command line leaves out the values
// that the configuration file has for them.
func (*commands) BeforeResolve(ctx *kong.Context) error {
	path, named := "", false
	for _, f := range ctx.Flags() {
		if f.Name == "config" {
			path, named = ctx.FlagValue(f).(string), true
		}
	}
	ctx.Bind(calibrationFile(""), settingsFile("")) // none, for a service without a home
	if path == "" {
		folder, err := os.UserConfigDir()
		if err != nil {
			return nil // nor has it settings
		}
		path, named = filepath.Join(folder, "timeball", "config.toml"), false
	}
	ctx.Bind(settingsFile(path))
	ctx.Bind(calibrationFile(filepath.Join(filepath.Dir(path), "calibration.toml")))
	set, err := readSettings(path)
	if !named && errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	return set.apply(ctx)
}

// settings are the values of a configuration file, which are written as flags'
// values would be, or as TOML's own numbers, truth values, times and arrays.
// Keys are the long names of flags. A command takes those it has a flag for.
type settings struct {
	path   string
	text   string
	values map[string]any
}

func readSettings(path string) (*settings, error) {
	text, err := readText(path)
	if err != nil {
		return nil, fmt.Errorf("settings %s: %w", path, err)
	}
	s := &settings{path: path, text: string(text)}
	_, err = toml.Decode(s.text, &s.values)
	var broken toml.ParseError
	if errors.As(err, &broken) {
		return nil, fmt.Errorf("%s:%d: %s", path, broken.Position.Line, broken.Message)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return s, nil
}

// apply has kong resolve flags by s. It is an error if s has a key that no
// command has a flag for, or a value that a flag of this command does not take.
func (s *settings) apply(ctx *kong.Context) error {
	known := map[string]bool{}
	kong.Visit(ctx.Model, func(node kong.Visitable, next kong.Next) error {
		if f, ok := node.(*kong.Flag); ok && f.Name != "help" && f.Name != "config" && f.Name != "version" {
			known[f.Name] = true
		}
		return next(nil)
	})
	for key := range s.values {
		if !known[key] {
			return s.errorAt(key, errors.New("there is no such setting: settings are the long names of flags"))
		}
	}
	for _, f := range ctx.Flags() {
		v, ok, err := s.value(f)
		if err != nil {
			return s.errorAt(f.Name, err)
		}
		if !ok {
			continue
		}
		trial := reflect.New(f.Target.Type()).Elem()
		if trial.Kind() == reflect.Pointer { // as kong does
			trial.Set(reflect.New(trial.Type().Elem()))
		}
		scan := kong.Scan().PushTyped(v, kong.FlagValueToken)
		if err := f.Mapper.Decode(&kong.DecodeContext{Value: f.Value, Scan: scan}, trial); err != nil {
			return s.errorAt(f.Name, err)
		}
		if f.Enum != "" && !f.EnumMap()[v] {
			return s.errorAt(f.Name, fmt.Errorf("choose one of %s", f.Enum))
		}
	}
	ctx.AddResolver(s)
	return nil
}

// errorAt says where in the file err lies.
func (s *settings) errorAt(key string, err error) error {
	line := 0
	if at := regexp.MustCompile(`(?m)^[ \t]*\[*[ \t]*["']?` + regexp.QuoteMeta(key) + `["']?[ \t]*[=.\]]`).FindStringIndex(s.text); at != nil {
		line = strings.Count(s.text[:at[0]], "\n") + 1
	}
	return fmt.Errorf("%s:%d: %s: %w", s.path, line, key, err)
}

// Validate is part of kong.Resolver; apply has done it.
func (*settings) Validate(*kong.Application) error { return nil }

// Resolve is part of kong.Resolver.
func (s *settings) Resolve(_ *kong.Context, _ *kong.Path, flag *kong.Flag) (any, error) {
	v, ok, err := s.value(flag)
	if err != nil || !ok {
		return nil, err
	}
	return v, nil
}

// value returns the setting for flag as it would stand on the command line, if
// there is one.
func (s *settings) value(flag *kong.Flag) (v string, ok bool, err error) {
	setting, ok := s.values[flag.Name]
	if !ok {
		return "", false, nil
	}
	items, ok := setting.([]any)
	if !ok {
		v, err = word(setting)
		return v, true, err
	}
	words := make([]string, len(items))
	for i, item := range items {
		if words[i], err = word(item); err != nil {
			return "", true, err
		}
	}
	if flag.Tag.Sep == -1 {
		return strings.Join(words, ","), true, nil
	}
	return kong.JoinEscaped(words, flag.Tag.Sep), true, nil
}

// word writes a TOML value as on the command line.
func word(v any) (string, error) {
	switch v := v.(type) {
	case string:
		return v, nil
	case int64:
		return strconv.FormatInt(v, 10), nil
	case float64:
		return strconv.FormatFloat(v, 'g', -1, 64), nil
	case bool:
		return strconv.FormatBool(v), nil
	case time.Time:
		return v.Format(time.RFC3339Nano), nil
	default:
		return "", errors.New("a setting is text, a number, true or false, a time, or an array of these")
	}
}
