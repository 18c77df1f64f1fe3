package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// argumentsOf lists the arguments that a command's line of usage names, in their
// order, flags left out: "convert [RECORDING] OUT" has two.
func argumentsOf(use string) (names []string) {
	_, rest, _ := strings.Cut(use, " ")
	depth, word := 0, ""
	for _, r := range rest + " " {
		switch {
		case r == '[':
			depth++
		case r == ']':
			depth--
		case r == ' ' && depth == 0:
			if strings.HasPrefix(word, "-") {
				return names
			}
			if word != "" {
				names = append(names, word)
			}
			word = ""
			continue
		}
		word += string(r)
	}
	return names
}

// wrong makes what an argument check refuses wrong usage, and names the argument that
// is missing or one too many.
func wrong(check cobra.PositionalArgs) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		err := check(cmd, args)
		if err == nil {
			return nil
		}
		names := argumentsOf(cmd.Use)
		var needed []string
		for _, n := range names {
			if !strings.HasPrefix(n, "[") {
				needed = append(needed, n)
			}
		}
		want := "want kerbline " + cmd.Use
		switch {
		case len(args) < len(needed):
			err = fmt.Errorf("%s is missing, %s", strings.TrimSuffix(needed[len(args)], "..."), want)
		case len(args) > len(names):
			err = fmt.Errorf("%q is one too many, %s", args[len(names)], want)
		}
		return usage(err)
	}
}

// unknownFlag adds the nearest flag to what is said of one that does not exist.
func unknownFlag(cmd *cobra.Command, err error) error {
	name, ok := strings.CutPrefix(err.Error(), "unknown flag: --")
	if !ok {
		return usage(err)
	}
	// The nearest is found as the nearest command is.
	flags := &cobra.Command{SuggestionsMinimumDistance: 1}
	cmd.Flags().VisitAll(func(f *pflag.Flag) {
		flags.AddCommand(&cobra.Command{Use: f.Name, Run: func(*cobra.Command, []string) {}})
	})
	if near := flags.SuggestionsFor(name); len(near) > 0 {
		return usage(fmt.Errorf("unknown flag --%s, did you mean --%s?", name, strings.Join(near, " or --")))
	}
	return usage(fmt.Errorf("unknown flag --%s, kerbline help %s lists them", name, cmd.Name()))
}

// tellWritten says what stands at path now: a file with its size, a folder with its
// files. Nothing is said of standard output.
func tellWritten(w io.Writer, path string) {
	fi, err := os.Stat(path)
	if path == "" || path == "-" || err != nil {
		return
	}
	if !fi.IsDir() {
		fmt.Fprintf(w, "wrote          %s, %s\n", path, sizeWords(fi.Size()))
		return
	}
	files, total := 0, int64(0)
	_ = filepath.Walk(path, func(_ string, fi os.FileInfo, err error) error {
		if err == nil && !fi.IsDir() {
			files, total = files+1, total+fi.Size()
		}
		return nil
	})
	fmt.Fprintf(w, "wrote          %s, %d files, %s\n", strings.TrimSuffix(path, "/")+"/", files, sizeWords(total))
}

func sizeWords(n int64) string {
	switch {
	case n < 1000:
		return fmt.Sprintf("%d B", n)
	case n < 1_000_000:
		return fmt.Sprintf("%.1f kB", float64(n)/1e3)
	}
	return fmt.Sprintf("%.1f MB", float64(n)/1e6)
}
