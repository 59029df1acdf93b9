package delivery

import (
	"bytes"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/rsa"
	"encoding/pem"
	"errors"
	"maps"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"golang.org/x/crypto/ssh"
	"golang.org/x/crypto/ssh/agent"

	"example.com/phototie/match/dataset"
)

// keyFiles writes a private and a public key, as ssh-keygen does, and returns the
// public one's text.
func keyFiles(t *testing.T, dir, name string, key any) (private string, pub ssh.PublicKey) {
	t.Helper()
	block, err := ssh.MarshalPrivateKey(key, "office")
	if err != nil {
		t.Fatal(err)
	}
	private = filepath.Join(dir, name)
	signer, err := ssh.NewSignerFromKey(key)
	if err != nil {
		t.Fatal(err)
	}
	pub = signer.PublicKey()
	for file, text := range map[string][]byte{private: pem.EncodeToMemory(block), private + ".pub": ssh.MarshalAuthorizedKey(pub)} {
		if err := os.WriteFile(file, text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return private, pub
}

// TestSign: what is signed by keys in files and by an agent is verified by ssh-keygen
// (OpenSSH's program) and by Verify, and a changed file, other sums, another signer, a
// missing signature and a key that can't sign are each told.
func TestSign(t *testing.T) {
	dir := t.TempDir()
	_, ed, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	rs, err := rsa.GenerateKey(rand.Reader, 3072)
	if err != nil {
		t.Fatal(err)
	}
	edFile, edPub := keyFiles(t, dir, "ed", ed)
	rsFile, rsPub := keyFiles(t, dir, "rs", rs)

	keyring := agent.NewKeyring()
	if err := keyring.Add(agent.AddedKey{PrivateKey: ed}); err != nil {
		t.Fatal(err)
	}
	socket := filepath.Join(dir, "agent")
	listen, err := net.Listen("unix", socket)
	if err != nil {
		t.Fatal(err)
	}
	defer listen.Close()
	go func() {
		for {
			conn, err := listen.Accept()
			if err != nil {
				return
			}
			go func() { _ = agent.ServeAgent(keyring, conn) }() // ends with the connection
		}
	}()

	for _, c := range []struct {
		name, file string
		pub, other ssh.PublicKey
	}{{"Ed25519", edFile, edPub, rsPub}, {"RSA", rsFile, rsPub, edPub}, {"agent", edFile + ".pub", edPub, rsPub}} {
		t.Run(c.name, func(t *testing.T) {
			key, done, err := OpenSigner(c.file, socket)
			if err != nil {
				t.Fatal(err)
			}
			defer done()
			into := t.TempDir()
			for name, text := range map[string]string{"photos/a.jpg": "a", "back\\slash": "b", "README.txt": "c"} {
				if err := os.MkdirAll(filepath.Dir(filepath.Join(into, name)), 0o755); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(filepath.Join(into, name), []byte(text), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			root, err := os.OpenRoot(into)
			if err != nil {
				t.Fatal(err)
			}
			defer root.Close()
			p := &packing{root: root, dir: into, opt: Options{Key: key}}
			p.opt.Progress = func(string) (dataset.Progress, func()) { return nil, func() {} }
			if err := errors.Join(p.sums(t.Context()), p.sign()); err != nil {
				t.Fatal(err)
			}
			verify := func(keys ...ssh.PublicKey) (*Verified, error) { return Verify(t.Context(), root.FS(), keys, nil) }
			v, err := verify(c.other, c.pub)
			if err != nil || !v.Intact() || v.Files != 3 || !bytes.Equal(v.Key.Marshal(), c.pub.Marshal()) {
				t.Errorf("%+v, %v", v, err)
			}
			keygen(t, into, c.pub, true)
			if _, err := verify(c.other); !errors.Is(err, ErrForeign) || !strings.Contains(err.Error(), ssh.FingerprintSHA256(c.pub)) {
				t.Errorf("another signer: %v", err)
			}
			keygen(t, into, c.other, false)

			put := func(name, text string) {
				t.Helper()
				if err := os.WriteFile(filepath.Join(into, name), []byte(text), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			put("photos/a.jpg", "A")
			put("photos/new.jpg", "n")
			if err := os.Remove(filepath.Join(into, "README.txt")); err != nil {
				t.Fatal(err)
			}
			v, err = verify(c.pub)
			if err != nil || v.Intact() || !slices.Equal(v.Changed, []string{"photos/a.jpg"}) || !slices.Equal(v.Missing, []string{"README.txt"}) || !slices.Equal(v.Extra, []string{"photos/new.jpg"}) {
				t.Errorf("%+v, %v", v, err)
			}
			// Sums that fit the changed files are not those that were signed.
			if err := errors.Join(os.Remove(filepath.Join(into, SumsFile)), p.sums(t.Context())); err != nil {
				t.Fatal(err)
			}
			if v, err := verify(c.pub); !errors.Is(err, ErrSignature) || !v.Intact() {
				t.Errorf("%+v, %v", v, err)
			}
			keygen(t, into, c.pub, false)
			put(SignatureFile, "-----BEGIN SSH SIGNATURE-----\nAAAA\n-----END SSH SIGNATURE-----\n")
			if _, err := verify(); !errors.Is(err, ErrSignature) {
				t.Error(err)
			}
			if err := os.Remove(filepath.Join(into, SignatureFile)); err != nil {
				t.Fatal(err)
			}
			if _, err := verify(c.pub); !errors.Is(err, ErrUnsigned) {
				t.Error(err)
			}
			if _, err := verify(); err != nil {
				t.Error(err)
			}
			put(SumsFile, "rubbish\n")
			if _, err := verify(); err == nil || !strings.Contains(err.Error(), "SHA256SUMS:1: not a line") {
				t.Error(err)
			}
		})
	}

	block, err := ssh.MarshalPrivateKeyWithPassphrase(ed, "", []byte("secret"))
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string][]byte{"locked": pem.EncodeToMemory(block), "none": []byte("hello")} {
		if err := os.WriteFile(filepath.Join(dir, name), text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct{ file, socket, want string }{
		{"locked", socket, "has a passphrase: add it to the agent"}, {"none", socket, "no key for signing"},
		{"rs.pub", socket, "does not have its private key"}, {"rs.pub", "", "none runs"}, {"ed.pub", socket + "x", "does not answer"},
		{"gone", socket, "no such file"},
	} {
		if _, _, err := OpenSigner(filepath.Join(dir, c.file), c.socket); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.file, err, c.want)
		}
	}
}

// keygen has OpenSSH's program verify the sums in a folder.
func keygen(t *testing.T, dir string, pub ssh.PublicKey, want bool) {
	t.Helper()
	program, err := exec.LookPath("ssh-keygen")
	if err != nil {
		t.Skip("ssh-keygen is not there; make tools installs it")
	}
	allowed := filepath.Join(t.TempDir(), "allowed")
	if err := os.WriteFile(allowed, append([]byte("office "), ssh.MarshalAuthorizedKey(pub)...), 0o600); err != nil {
		t.Fatal(err)
	}
	sums, err := os.ReadFile(filepath.Join(dir, SumsFile))
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(program, "-Y", "verify", "-f", allowed, "-I", "office", "-n", "file", "-s", filepath.Join(dir, SignatureFile))
	cmd.Stdin = bytes.NewReader(sums)
	if out, err := cmd.CombinedOutput(); (err == nil) != want {
		t.Errorf("ssh-keygen: %v, want %v: %s", err, want, out)
	}
}

// FuzzSums: what is read as sums is written as the same sums, and nothing panics.
func FuzzSums(f *testing.F) {
	f.Add([]byte(sumLine([32]byte{1}, "photos/a.jpg") + sumLine([32]byte{2}, "back\\slash\n.jpg")))
	f.Add([]byte("\\\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		sums, err := parseSums(text)
		if err != nil {
			return
		}
		var again strings.Builder
		for _, name := range sortedKeys(sums) {
			again.WriteString(sumLine(sums[name], name))
		}
		back, err := parseSums([]byte(again.String()))
		if err != nil || !maps.Equal(back, sums) {
			t.Errorf("%q: %v, then %v, %v", text, sums, back, err)
		}
	})
}
