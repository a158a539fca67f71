// Package freetext keeps what people wrote in their own words about a patient sealed in the log, with the
// patient's key: nobody can change a log, and such words may say anything. Destroying the key makes them
// unreadable with the name. Codes, numbers and names of tracks stay as they are.
package freetext

import (
	"bytes"
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"cannulary/internal/keyring"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// mark begins a sealed text. No sender can write it: texts have no control characters but line breaks
// and tabs.
const mark = "\x1fsealed:"

// What stands for a text that cannot be read. A text that is empty may mean something else: that no reason
// was given.
const (
	Erased     = "(erased)"
	Unreadable = "(cannot be read: the patient's key is damaged)"
)

// Is reports whether a field of a fact holds free text.
func Is(fd protoreflect.FieldDescriptor) bool {
	if fd.Kind() != protoreflect.StringKind {
		return false
	}
	switch fd.Name() {
	case "allergy_notes", "arm_position", "evidence", "fallback", "landmarks", "note", "operator_position", "outcome", "picture_reference",
		"reason", "site":
		return true
	}
	return false
}

// Sealer is keyring.Ring.
type Sealer interface {
	Seal(ctx context.Context, patientKey string, plain []byte) ([]byte, error)
}

// Seal seals the free text of an event about a patient. Of a patient who was erased nothing is kept. The
// error is keyring.ErrDamaged, or the key store's.
func Seal(ctx context.Context, ring Sealer, ev *logv1.Event) error {
	return each(ev, func(text string) (string, error) {
		if strings.HasPrefix(text, mark) {
			return "", errors.New("a text of a sender is marked as sealed")
		}
		b, err := ring.Seal(ctx, ev.GetPatientKey(), []byte(text))
		if errors.Is(err, keyring.ErrErased) {
			return Erased, nil
		}
		return mark + base64.StdEncoding.EncodeToString(b), err
	})
}

// Plain reports whether an event holds free text that is not sealed, as earlier versions wrote it.
func Plain(ev *logv1.Event) bool {
	plain := false
	_ = each(ev, func(text string) (string, error) {
		plain = plain || !strings.HasPrefix(text, mark) && text != Erased
		return text, nil
	})
	return plain
}

// Opener is keyring.Ring.
type Opener interface {
	Unseal(ctx context.Context, patientKey string, sealed []byte) ([]byte, error)
}

// Sealed reports whether the bytes of an event may hold sealed text.
func Sealed(data []byte) bool { return bytes.Contains(data, []byte(mark)) }

// Open puts the free text of an event back, or says in its place why it cannot be read.
func Open(ctx context.Context, opener Opener, ev *logv1.Event) error {
	return each(ev, func(text string) (string, error) {
		sealed, ok := strings.CutPrefix(text, mark)
		if !ok {
			return text, nil
		}
		b, err := base64.StdEncoding.DecodeString(sealed)
		if err == nil {
			b, err = opener.Unseal(ctx, ev.GetPatientKey(), b)
		}
		switch {
		case err == nil:
			return string(b), nil
		case errors.Is(err, keyring.ErrNoKey):
			return Erased, nil
		case errors.Is(err, keyring.ErrDamaged), errors.Is(err, keyring.ErrUnreadable):
			return Unreadable, nil
		}
		return "", fmt.Errorf("open what was written in event %s: %w", ev.GetId(), err)
	})
}

// each replaces every free text in the facts of an event about a patient.
func each(ev *logv1.Event, replace func(string) (string, error)) error {
	if ev.GetPatientKey() == "" {
		return nil
	}
	for _, f := range ev.GetFacts() {
		if err := walk(f.ProtoReflect(), replace); err != nil {
			return err
		}
	}
	return nil
}

func walk(m protoreflect.Message, replace func(string) (string, error)) (err error) {
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case fd.Kind() == protoreflect.MessageKind && fd.IsList():
			for i := range v.List().Len() {
				if err = walk(v.List().Get(i).Message(), replace); err != nil {
					return false
				}
			}
		case fd.Kind() == protoreflect.MessageKind && !fd.IsMap():
			err = walk(v.Message(), replace)
		case !fd.IsList() && Is(fd) && v.String() != "":
			var text string
			if text, err = replace(v.String()); err == nil {
				m.Set(fd, protoreflect.ValueOfString(text))
			}
		}
		return err == nil
	})
	return err
}
