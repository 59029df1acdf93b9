package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/report"
	"example.com/phototie/match/service"
	"example.com/phototie/match/single"
)

// loopPhotos is how many photos a process takes, one after the other; the command takes
// one, and is started so often as to be timed.
const (
	loopPhotos = 300
	commands   = 20
)

// loop is the library in a loop, which does what the others do: each photo compared from
// its file, and if do is correct made in memory, with the digests before and after.
func loop(do, name string) error {
	itm, err := crs.OpenGrid("EPSG:2157", grid.OpenOptions{})
	if err != nil {
		return err
	}
	one := func() error {
		f, err := os.Open(name)
		if err != nil {
			return err
		}
		defer f.Close()
		info, err := f.Stat()
		if err != nil {
			return err
		}
		p, err := single.Check(context.Background(), itm, name, f, info.Size(), match.Point{EN: b01}, single.Options{})
		if err != nil || do == "compare" {
			return errors.Join(err, report.Print(io.Discard, report.FormatJSON, report.Compare{Grid: p.Grid, Photo: p.PhotoResult}))
		}
		var corrected bytes.Buffer
		corrected.Grow(int(info.Size()))
		before, after := sha256.New(), sha256.New()
		_, err = io.Copy(before, f)
		return errors.Join(err, p.Write(io.MultiWriter(&corrected, after)), report.Print(io.Discard, report.FormatJSON, report.Compare{Grid: p.Grid, Photo: p.PhotoResult}))
	}
	for range loopPhotos {
		if err := one(); err != nil {
			return err
		}
	}
	return nil
}

// cost is the processor time that a way took a photo, and the most memory that its
// process had.
type cost struct{ seconds, megabytes float64 }

// timed has cmd take n photos. The memory is read while it runs, as what the system
// says at the end begins with that of the process that started it.
func timed(cmd *exec.Cmd, n int, talk func(in io.WriteCloser, out io.Reader) error) (cost, error) {
	in, err := cmd.StdinPipe()
	if err != nil {
		return cost{}, err
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return cost{}, err
	}
	var errs strings.Builder
	cmd.Stderr = &errs
	if err := cmd.Start(); err != nil {
		return cost{}, err
	}
	most := make(chan float64)
	go func() {
		var kib float64
		for {
			status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", cmd.Process.Pid))
			_, text, there := strings.Cut(string(status), "VmHWM:")
			if err != nil || !there { // it has ended
				most <- kib / 1024
				return
			}
			_, _ = fmt.Sscan(text, &kib)
			time.Sleep(2 * time.Millisecond)
		}
	}()
	talked := talk(in, out)
	if err := errors.Join(talked, cmd.Wait()); err != nil {
		return cost{}, fmt.Errorf("%s: %w: %s", cmd, err, errs.String())
	}
	return cost{(cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()).Seconds() / float64(n), <-most}, nil
}

// silent is a program that is not talked to.
func silent(in io.WriteCloser, out io.Reader) error {
	_, err := io.Copy(io.Discard, out)
	return err
}

// BenchmarkWays holds the ways in which a program gets at phototie against the library in
// a loop, in turns: photos of 4 MiB, one after the other, from their files, each way
// in a process whose start counts. Times are the processors' own, so that photos/s are
// those of one processor; ratio is the time a photo against the library's.
func BenchmarkWays(b *testing.B) {
	library(b)
	was, _ := photo(b)
	dir := b.TempDir()
	name := write(b, filepath.Join(dir, "photo.jpg"), append(was, make([]byte, 4<<20-len(was))...))
	bin := filepath.Join(top, "bin")
	program, inC := filepath.Join(bin, "phototie"), filepath.Join(bin, "loop")
	for _, build := range []*exec.Cmd{
		exec.Command("go", "build", "-o", program, "../phototie"),
		exec.Command("gcc", "-O2", "-I"+bin, "-o", inC, "testdata/promises.c", "-L"+bin, "-lphototie", "-lpthread", "-Wl,-rpath,"+bin),
	} {
		if _, err := run(build); err != nil {
			b.Fatal(err)
		}
	}
	for _, do := range []string{"compare", "correct"} {
		request := fmt.Sprintf(`{"do":%q,"crs":"EPSG:2157","e":%v,"n":%v`, do, b01.E, b01.N)
		file := write(b, filepath.Join(dir, do+".json"), []byte(request+"}"))
		ways := map[string]func() (cost, error){
			"serve-stdio": func() (cost, error) {
				return timed(exec.Command(program, "serve", "--stdio", "--at-once", "1"), loopPhotos, func(in io.WriteCloser, out io.Reader) error {
					go func() {
						defer in.Close()
						for range loopPhotos {
							fmt.Fprintf(in, "%s,\"path\":%q}\n", request, name)
						}
					}()
					answers := json.NewDecoder(out)
					for range loopPhotos {
						var r service.Response
						if err := answers.Decode(&r); err != nil || r.Error != nil {
							return fmt.Errorf("%v %v", err, r.Error)
						}
					}
					return nil
				})
			},
			"C": func() (cost, error) {
				return timed(exec.Command(inC, "loop", fmt.Sprint(loopPhotos), file, name), loopPhotos, silent)
			},
			"command": func() (sum cost, err error) {
				for range commands {
					c, err := timed(exec.Command(program, "compare", "--format", "json", "--crs", "EPSG:2157", "--at", fmt.Sprintf("%v,%v", b01.E, b01.N), name), commands, silent)
					if err != nil {
						return sum, err
					}
					sum.seconds += c.seconds
					sum.megabytes = max(sum.megabytes, c.megabytes)
				}
				return sum, nil
			},
		}
		for _, way := range []string{"serve-stdio", "C", "command"} {
			if do == "correct" && way == "command" {
				continue // it corrects jobs
			}
			b.Run(do+"/"+way, func(b *testing.B) {
				var refs, owns []float64
				var ref, own cost
				for b.Loop() {
					var err error
					if ref, err = timed(exec.Command(os.Args[0], "loop", do, name), loopPhotos, silent); err != nil {
						b.Fatal(err)
					}
					if own, err = ways[way](); err != nil {
						b.Fatal(err)
					}
					refs, owns = append(refs, ref.seconds), append(owns, own.seconds)
				}
				b.ReportMetric(0, "ns/op") // of both together: of no use
				b.ReportMetric(1/slices.Min(owns), "photos/s")
				b.ReportMetric(own.megabytes, "MiB")
				b.ReportMetric(1/slices.Min(refs), "library-photos/s")
				b.ReportMetric(ref.megabytes, "library-MiB")
				b.ReportMetric(slices.Min(owns)/slices.Min(refs), "ratio")
			})
		}
	}
}
