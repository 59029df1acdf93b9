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
	cmd := command("verify", argsExactly(1, "the delivery's folder"))
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
