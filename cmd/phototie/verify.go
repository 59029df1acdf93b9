package main

import (
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/crypto/ssh"

	"example.com/phototie/match/delivery"
)

func newVerify(e *env) *cobra.Command {
	var signers []string
	cmd := &cobra.Command{
		Use:   "verify [flags] DELIVERY",
		Short: "Hold a delivery against its sums and its signature",
		Long: `verify reads every file of a delivery that phototie pack made, and says which are
not what ` + delivery.SumsFile + ` lists, which are missing, and which have come since. Where
the delivery is signed it says by which key; with --signer the key has to be that
in the file (a public key as OpenSSH writes it), which you have from the signer
and not from the delivery. The exit code is 1 where something is not as it was.

sha256sum and ssh-keygen do the same; README.txt of the delivery says how.`,
		Example: `  phototie verify delivery
  phototie verify --signer office.pub delivery`,
		Args: argsExactly(1, "the delivery's folder"),
	}
	cmd.Flags().StringArrayVar(&signers, "signer", nil, "the public key FILE that must have signed; may be repeated: any of them")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		var keys []ssh.PublicKey
		for _, name := range signers {
			key, err := delivery.ReadPublicKey(name)
			if err != nil {
				return usagef("--signer: %w", err)
			}
			keys = append(keys, key)
		}
		root, err := os.OpenRoot(args[0])
		if err != nil {
			return err
		}
		defer root.Close()
		tell, done := progress(e.stderr, "reading files")
		v, err := delivery.Verify(cmd.Context(), root.FS(), keys, tell)
		done()
		return e.verified(args[0], v, err)
	}
	return cmd
}

// verified prints what came of it.
func (e *env) verified(dir string, v *delivery.Verified, err error) error {
	if v == nil {
		return err
	}
	lines := append([]string{dir + ": " + v.Count()}, v.Lines()...)
	switch {
	case errors.Is(err, delivery.ErrUnsigned), errors.Is(err, delivery.ErrSignature), errors.Is(err, delivery.ErrForeign):
		lines = append(lines, "  "+err.Error())
		err = errFindings
	case err == nil && !v.Intact():
		err = errFindings
	}
	_, perr := fmt.Fprintln(e.stdout, strings.Join(lines, "\n"))
	return errors.Join(err, perr)
}
