package web

import (
	"encoding/json"
	"fmt"
	"html/template"
	"path"
	"strings"
	"time"

	"github.com/nicksnyder/go-i18n/v2/i18n"
	"golang.org/x/text/language"

	"cannulary/internal/fault"
)

// Language is a language that the pages are written in.
type Language struct {
	Tag string
	// Draft says that no clinician has checked the words yet. Every page then says so.
	Draft bool
}

// Languages lists the languages that a unit can choose. Each has a file page/messages/TAG.json.
func Languages() []Language { return []Language{{Tag: "en"}, {Tag: "de", Draft: true}} }

// CheckLanguage refuses a language that has no file of messages.
func CheckLanguage(tag string) error {
	var known []string
	for _, l := range Languages() {
		if l.Tag == tag {
			return nil
		}
		known = append(known, l.Tag)
	}
	return fault.New(fault.Invalid, fmt.Sprintf("there are no pages in the language %.20q", tag), "choose "+strings.Join(known, " or "))
}

// words are the messages of one language.
type words struct {
	Language
	localizer *i18n.Localizer
	// plain holds the messages that say the same whatever they are told.
	plain map[string]string
}

// readWords reads the messages of a language. It panics if the files, which are compiled in,
// cannot be read or do not have the language.
func readWords(tag string) *words {
	w := &words{plain: map[string]string{}}
	for _, l := range Languages() {
		if l.Tag == tag {
			w.Language = l
		}
	}
	bundle := i18n.NewBundle(language.Make(tag))
	bundle.RegisterUnmarshalFunc("json", json.Unmarshal)
	name := path.Join("messages", tag+".json")
	file, err := bundle.ParseMessageFileBytes(embedded(name), name)
	if err != nil || w.Tag == "" {
		panic(fmt.Sprintf("messages of %q: %v", tag, err))
	}
	for _, m := range file.Messages {
		if m.One == "" && !strings.Contains(m.Other, "{{") {
			w.plain[m.ID] = m.Other
		}
	}
	w.localizer = i18n.NewLocalizer(bundle, tag)
	return w
}

// say gives a message. What it is told comes in pairs of name and value. A value named Count
// chooses between the forms for one and for many.
func (w *words) say(key string, told ...any) (string, error) {
	if s, ok := w.plain[key]; ok {
		return s, nil
	}
	if len(told)%2 != 0 {
		return "", fmt.Errorf("message %s: a name without a value", key)
	}
	ask := &i18n.LocalizeConfig{MessageID: key}
	data := map[string]any{}
	for i := 0; i < len(told); i += 2 {
		name, ok := told[i].(string)
		if !ok {
			return "", fmt.Errorf("message %s: %v is no name", key, told[i])
		}
		data[name] = told[i+1]
		if name == "Count" {
			ask.PluralCount = told[i+1]
		}
	}
	ask.TemplateData = data
	return w.localizer.Localize(ask)
}

// must gives a message whose key stands in the program. The messages have every such key, which
// a test says.
func (w *words) must(key string, told ...any) string {
	s, err := w.say(key, told...)
	if err != nil {
		panic(err)
	}
	return s
}

// functions are what templates may call for words and dates.
func (w *words) functions() template.FuncMap {
	return template.FuncMap{"t": w.say, "day": w.day, "when": w.when}
}

// day is a date for people: "Sat 28 Nov", with the year where it is not the year of now.
func (w *words) day(at, now time.Time) string {
	told := []any{"Weekday", w.must("weekday." + strings.ToLower(at.Weekday().String())), "Day", at.Day(),
		"Month", w.must("month." + strings.ToLower(at.Month().String())), "Year", at.Year()}
	if at.Year() == now.Year() {
		return w.must("date.day", told...)
	}
	return w.must("date.day-and-year", told...)
}

// when is a moment for people: "Sat 28 Nov, 07:02".
func (w *words) when(at, now time.Time) string {
	return w.must("date.moment", "Date", w.day(at, now), "Clock", at.Format(clock))
}

// clock is how a time of day is shown, as the facility's clocks show it.
const clock = "15:04"
