package delivery

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/hiddeco/sshsig"
	"golang.org/x/crypto/ssh"
	"golang.org/x/crypto/ssh/agent"

	"example.com/phototie/match/dataset"
	"example.com/phototie/match/internal/words"
)

// SignatureFile is the signature of SumsFile, in the format of SSH signatures
// (PROTOCOL.sshsig of OpenSSH), which ssh-keygen -Y verify reads.
const SignatureFile = SumsFile + ".sig"

// signed is the namespace of the signature, which ssh-keygen's manual names for files.
const signed = "file"

// The most that is read of a key or a signature, and of sums, in bytes: some million files.
const mostKey, mostSums = 64 << 10, 256 << 20

// What can be wrong with a signature.
var (
	// ErrUnsigned: there is no SignatureFile.
	ErrUnsigned = errors.New("the delivery is not signed")
	// ErrSignature: the signature is damaged, or is of other sums than those there.
	ErrSignature = errors.New("the signature is not of these sums")
	// ErrForeign: the signature is whole, and by a key that is not among those given.
	ErrForeign = errors.New("signed by another key")
)

// readKey reads the text of a key.
func readKey(name string) ([]byte, error) {
	return dataset.ReadFile(os.DirFS(filepath.Dir(name)), filepath.Base(name), mostKey)
}

// ReadPublicKey reads a public key as OpenSSH writes it from a file.
func ReadPublicKey(name string) (ssh.PublicKey, error) {
	text, err := readKey(name)
	if err != nil {
		return nil, err
	}
	key, _, _, _, err := ssh.ParseAuthorizedKey(text)
	if err != nil {
		return nil, fmt.Errorf("%s: no public key: %w", name, err)
	}
	return key, nil
}

// OpenSigner opens the key in a file for signing: an Ed25519, RSA or other private key
// in the form of OpenSSH or PEM, without a passphrase, or a public key of which the
// agent that listens at the socket has the private one. Close ends the connection to
// the agent.
func OpenSigner(name, socket string) (key ssh.Signer, close func() error, err error) {
	close = func() error { return nil }
	text, err := readKey(name)
	if err != nil {
		return nil, close, err
	}
	var locked *ssh.PassphraseMissingError
	if pub, _, _, _, perr := ssh.ParseAuthorizedKey(text); perr == nil {
		return agentSigner(name, socket, pub)
	} else if key, err = ssh.ParsePrivateKey(text); errors.As(err, &locked) {
		return nil, close, fmt.Errorf("%s: the key has a passphrase: add it to the agent with ssh-add, and name the public key", name)
	} else if err != nil {
		return nil, close, fmt.Errorf("%s: no key for signing: %w", name, err)
	}
	return key, close, nil
}

// agentSigner finds the private half of a public key at the agent.
func agentSigner(name, socket string, pub ssh.PublicKey) (ssh.Signer, func() error, error) {
	none := func() error { return nil }
	if socket == "" {
		return nil, none, fmt.Errorf("%s: a public key signs by an agent, and none runs: start ssh-agent, or name the private key", name)
	}
	conn, err := net.Dial("unix", socket)
	if err != nil {
		return nil, none, fmt.Errorf("%s: the agent does not answer: %w", name, err)
	}
	keys, err := agent.NewClient(conn).Signers()
	for _, k := range keys {
		if bytes.Equal(k.PublicKey().Marshal(), pub.Marshal()) {
			return k, conn.Close, nil
		}
	}
	if err == nil {
		err = errors.New("the agent does not have its private key: add that with ssh-add")
	}
	return nil, none, errors.Join(fmt.Errorf("%s: %w", name, err), conn.Close())
}

// sign writes the signature of the sums.
func (p *packing) sign() error {
	sums, err := p.root.ReadFile(SumsFile)
	if err != nil {
		return err
	}
	sig, err := sshsig.Sign(bytes.NewReader(sums), p.opt.Key, sshsig.HashSHA512, signed)
	if err != nil {
		return fmt.Errorf("the delivery can't be signed: %w", err)
	}
	return p.write(SignatureFile, func(w io.Writer) error {
		_, err := w.Write(sshsig.Armor(sig))
		return err
	})
}

// Verified is what a delivery holds against its sums.
type Verified struct {
	// Files is how many files are listed. Changed have other bytes than listed, Missing
	// are not there, Extra are there and not listed.
	Files                   int
	Changed, Missing, Extra []string
	// Key is the key that signed the sums; nil where that is not known.
	Key ssh.PublicKey
}

// Intact reports whether all files are there as they were, and no others.
func (v *Verified) Intact() bool { return len(v.Changed)+len(v.Missing)+len(v.Extra) == 0 }

// Count words how many files are listed.
func (v *Verified) Count() string { return words.Plural(v.Files, "file") + " listed" }

// Lines say what was found, a line for each file that is not as it was.
func (v *Verified) Lines() []string {
	var out []string
	for _, part := range []struct {
		what  string
		names []string
	}{{"changed", v.Changed}, {"missing", v.Missing}, {"not listed", v.Extra}} {
		for _, name := range part.names {
			out = append(out, fmt.Sprintf("  %-10s  %s", part.what, words.Safe(name)))
		}
	}
	if v.Intact() {
		out = append(out, "  all there, as they were, and no others")
	}
	if v.Key != nil {
		out = append(out, "  signed by "+ssh.FingerprintSHA256(v.Key))
	}
	return out
}

// Verify holds the files of a delivery against its sums, and where keys are given the
// sums against their signature: the error is then ErrUnsigned, ErrSignature or
// ErrForeign where that fails. Without sums it is one of fs.
func Verify(ctx context.Context, delivery fs.FS, keys []ssh.PublicKey, progress func(done, total int)) (*Verified, error) {
	sums, err := dataset.ReadFile(delivery, SumsFile, mostSums)
	if err != nil {
		return nil, err
	}
	listed, err := parseSums(sums)
	if err != nil {
		return nil, err
	}
	v := &Verified{Files: len(listed)}
	found, err := sumsOf(ctx, delivery, progress)
	if err != nil {
		return nil, err
	}
	for _, name := range sortedKeys(listed) {
		switch sum, ok := found[name]; {
		case !ok:
			v.Missing = append(v.Missing, name)
		case sum != listed[name]:
			v.Changed = append(v.Changed, name)
		}
	}
	for _, name := range sortedKeys(found) {
		if _, ok := listed[name]; !ok {
			v.Extra = append(v.Extra, name)
		}
	}
	v.Key, err = verifySignature(delivery, sums, keys)
	return v, err
}

// verifySignature returns the key that signed the sums.
func verifySignature(delivery fs.FS, sums []byte, keys []ssh.PublicKey) (ssh.PublicKey, error) {
	text, err := dataset.ReadFile(delivery, SignatureFile, mostKey)
	if errors.Is(err, fs.ErrNotExist) {
		if len(keys) == 0 {
			return nil, nil
		}
		return nil, ErrUnsigned
	}
	if err != nil {
		return nil, err
	}
	sig, err := sshsig.Unarmor(text)
	if err != nil {
		return nil, fmt.Errorf("%s: %w: %w", SignatureFile, ErrSignature, err)
	}
	if err := sshsig.Verify(bytes.NewReader(sums), sig, sig.PublicKey, sig.HashAlgorithm, signed); err != nil {
		return nil, fmt.Errorf("%s: %w: %w", SignatureFile, ErrSignature, err)
	}
	if len(keys) > 0 && !slices.ContainsFunc(keys, func(k ssh.PublicKey) bool { return bytes.Equal(k.Marshal(), sig.PublicKey.Marshal()) }) {
		return nil, fmt.Errorf("%w: %s", ErrForeign, ssh.FingerprintSHA256(sig.PublicKey))
	}
	return sig.PublicKey, nil
}

// unescapes undoes escapes.
var unescapes = strings.NewReplacer(`\\`, `\`, `\n`, "\n", `\r`, "\r")

// parseSums reads what WriteSums writes.
func parseSums(text []byte) (map[string][sha256.Size]byte, error) {
	out := map[string][sha256.Size]byte{}
	n := 0
	for line := range bytes.Lines(text) {
		n++
		s, escaped := strings.CutPrefix(strings.TrimSuffix(string(line), "\n"), `\`)
		digits, name, ok := strings.Cut(s, "  ")
		sum, err := hex.DecodeString(digits)
		if !ok || err != nil || len(sum) != sha256.Size {
			return nil, fmt.Errorf("%s:%d: not a line of sums", SumsFile, n)
		}
		if escaped {
			name = unescapes.Replace(name)
		}
		out[name] = [sha256.Size]byte(sum)
	}
	return out, nil
}
