// Command kerbline says whether an autonomous race car's position is good
// enough for map-based driving, why not, and what to do this second.
//
// It advises only: it drives nothing and replaces no emergency stop.
//
// Every command is one small file of wiring: sources or recordings on the left,
// one [kerbline/fusion.Monitor] in the middle, lines, screen or report on the
// right. Start at [run], then replay.go.
package main

import (
	"context"
	"io"
	"os"
	"os/signal"
	"syscall"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// run is the whole program: it returns the exit code.
func run(ctx context.Context, args []string, in io.Reader, out, errOut io.Writer) int {
	root := newRoot()
	root.SetArgs(args)
	root.SetIn(in)
	root.SetOut(out)
	root.SetErr(errOut)
	return exitCode(root.ExecuteContext(ctx), errOut)
}
