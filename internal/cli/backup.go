package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"net/http"
	"os"
	"strings"

	"filippo.io/age"

	"cannulary/internal/app"
	"cannulary/internal/backup"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// backupCommand copies an instance, running or stopped.
func backupCommand(ctx context.Context, env Env, args []string) error {
	o := backup.Options{Version: env.Version, Now: env.Now}
	fs := flags(env, "backup", "--data DIR [--to FOLDER] [--keys-to FOLDER [--passphrase-file FILE | --recipient KEY]…]")
	fs.StringVar(&o.Dir, "data", "", "folder of an instance, running or stopped (required); nothing in it is changed")
	fs.StringVar(&o.Shard, "shard", "main", "shard")
	fs.StringVar(&o.To, "to", "", "folder for the log: empty, or not there yet")
	fs.StringVar(&o.KeysTo, "keys-to", "", "folder for the keys, apart from the log's: empty, or not there yet")
	var recipients []string
	fs.Func("recipient", "encrypt the keys for this age public `key` (age1…); may be given several times", gather(&recipients))
	passphrase := fs.String("passphrase-file", "", "encrypt the keys with the passphrase that is the first line of this file")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	if o.Dir == "" || o.To == "" && o.KeysTo == "" {
		return errUse{"--data DIR is needed, and --to FOLDER, --keys-to FOLDER or both"}
	}
	if o.KeysTo == "" && (*passphrase != "" || len(recipients) > 0) || *passphrase != "" && len(recipients) > 0 {
		return errUse{"--passphrase-file and --recipient encrypt the keys: give one of them, with --keys-to"}
	}
	if err := checkShard(o.Shard); err != nil {
		return err
	}
	for _, v := range recipients {
		r, err := age.ParseRecipients(strings.NewReader(v))
		if err != nil {
			return errUse{fmt.Sprintf("--recipient %q is not an age public key: %v; make a pair with age-keygen", v, err)}
		}
		o.Recipients = append(o.Recipients, r...)
	}
	if *passphrase != "" {
		text, err := passphraseOf(*passphrase)
		if err != nil {
			return err
		}
		r, err := age.NewScryptRecipient(text)
		if err != nil {
			return err
		}
		o.Recipients = append(o.Recipients, r)
	}
	unlock, err := app.LockExisting(o.Dir)
	if o.Running = errors.Is(err, app.ErrLocked); o.Running {
		unlock, err = func() error { return nil }, nil
	}
	if err == nil && o.Running {
		err = announced(ctx, env, o)
	}
	if err != nil {
		return err
	}
	made, err := backup.Make(ctx, o)
	if err = errors.Join(err, unlock()); err != nil {
		return err
	}
	return json.NewEncoder(env.Stdout).Encode(made)
}

// announced has a running instance enter the backup in its trail. One without an operator's socket cannot be asked.
func announced(ctx context.Context, env Env, o backup.Options) error {
	if running, err := operated(ctx, o.Dir); !running || err != nil {
		return err
	}
	src := source{data: o.Dir, shard: o.Shard}
	_, err := src.whole(ctx, env, question{method: http.MethodPost, path: app.BackupPath, timeout: getTimeout})
	return err
}

// restoreCommand makes an instance of a backup, in an empty folder.
func restoreCommand(ctx context.Context, env Env, args []string) error {
	o := backup.RestoreOptions{Now: env.Now}
	fs := flags(env, "restore", "--from FOLDER --keys-from FOLDER --data NEW [--erasures FILE] [--passphrase-file FILE | "+
		"--identity-file FILE]")
	fs.StringVar(&o.From, "from", "", "folder with the log's part of a backup (required)")
	fs.StringVar(&o.KeysFrom, "keys-from", "", "folder with the keys' part of a backup (required)")
	fs.StringVar(&o.Dir, "data", "", "folder for the instance: empty, or not there yet (required)")
	fs.StringVar(&o.Erasures, "erasures", "", "newest erasures.ndjson: erasures since the backup are repeated")
	identities := identityFlags(fs)
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	if o.From == "" || o.KeysFrom == "" || o.Dir == "" {
		return errUse{"--from FOLDER, --keys-from FOLDER and --data NEW are needed"}
	}
	var err error
	if o.Identities, err = identities(); err != nil {
		return err
	}
	if err := backup.EmptyFolder(o.Dir); err != nil {
		return err
	}
	lock, err := app.Lock(o.Dir)
	if err != nil {
		return err
	}
	restored, err := backup.Restore(ctx, o)
	if err != nil { // the folder is as it was
		return errors.Join(err, os.Remove(lock.Name()), lock.Close())
	}
	if err := app.Leave(o.Dir, env.Now(), logv1.Action_ACTION_RESTORE, "restore"); err != nil {
		return errors.Join(err, lock.Close())
	}
	return errors.Join(json.NewEncoder(env.Stdout).Encode(restored), lock.Close())
}

// identityFlags adds the flags that open an encrypted keys' part, and returns what reads what they name.
func identityFlags(fs *flag.FlagSet) func() ([]age.Identity, error) {
	passphrase := fs.String("passphrase-file", "", "open the keys with the passphrase that is the first line of this file")
	identity := fs.String("identity-file", "", "open the keys with an age identity file, as age-keygen writes it")
	return func() (out []age.Identity, err error) {
		if *passphrase != "" {
			text, err := passphraseOf(*passphrase)
			if err != nil {
				return nil, err
			}
			i, err := age.NewScryptIdentity(text)
			if err != nil {
				return nil, err
			}
			out = append(out, i)
		}
		if *identity != "" {
			b, err := os.ReadFile(*identity)
			if err != nil {
				return nil, fmt.Errorf("the identity file: %w; check --identity-file", err)
			}
			list, err := age.ParseIdentities(bytes.NewReader(b))
			if err != nil {
				return nil, fmt.Errorf("the identity file %s: %w; give one that age-keygen wrote", *identity, err)
			}
			out = append(out, list...)
		}
		return out, nil
	}
}

// passphraseOf reads a passphrase: the first line of a file.
func passphraseOf(path string) (string, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return "", fmt.Errorf("the passphrase: %w; check --passphrase-file", err)
	}
	text, _, _ := strings.Cut(string(b), "\n")
	if text = strings.TrimSuffix(text, "\r"); text == "" {
		return "", fmt.Errorf("the first line of %s is empty: it is the passphrase", path)
	}
	return text, nil
}
