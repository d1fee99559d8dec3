package cli

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	stockv1 "velamen/gen/velamen/stock/v1"
)

// errNotBalanced means that plants were lost or made up: a fault of the
// database, since it checks every commit.
var errNotBalanced = errors.New("the plant counts do not agree")

// signed writes a change of a count, with its sign.
func signed(plants int64) string {
	if plants == 0 {
		return ""
	}
	return fmt.Sprintf("%+d", plants)
}

// pieceBytes is how much of a file travels in one message; the contract allows
// 1 MiB.
const pieceBytes = 256 << 10

// stockFile is one file of an import.
type stockFile struct {
	kind stockv1.StockFile
	flag string
	path string
}

func (a *app) stockImport() *cobra.Command {
	files := []stockFile{
		{kind: stockv1.StockFile_STOCK_FILE_HOUSES, flag: "houses"},
		{kind: stockv1.StockFile_STOCK_FILE_BENCHES, flag: "benches"},
		{kind: stockv1.StockFile_STOCK_FILE_LOTS, flag: "lots"},
	}
	cmd := a.command(text{
		use: "import", short: "Read houses, benches and lots from CSV files, all or nothing",
		long: `Reads CSV files with a header line, as velamen stock export writes them. When any
row breaks a rule nothing is imported: every problem is printed as
FILE:LINE: COLUMN: RULE and the exit code is 3. Managers and owners only.`,
		example: `  velamen stock import --houses houses.csv --benches benches.csv --lots lots.csv
  velamen stock import --lots lots.csv --json`,
	}, func(ctx context.Context, _ []string) error { return a.importStock(ctx, files) })
	for i := range files {
		cmd.Flags().StringVar(&files[i].path, files[i].flag, "", "CSV file of the "+files[i].flag+` ("-": standard input)`)
	}
	cmd.MarkFlagsOneRequired("houses", "benches", "lots")
	return cmd
}

func (a *app) importStock(ctx context.Context, files []stockFile) error {
	parent, err := a.parent()
	if err != nil {
		return err
	}
	requestID, err := a.change()
	if err != nil {
		return err
	}
	conn, err := a.client()
	if err != nil {
		return err
	}
	if ctx, err = a.signedIn(ctx); err != nil {
		return err
	}
	stream, err := stockv1.NewStockServiceClient(conn).ImportStock(ctx)
	if err != nil {
		return err
	}
	first := &stockv1.ImportStockRequest{Parent: parent, RequestId: requestID}
	if err := a.sendFiles(stream, first, files); err != nil {
		return err
	}
	response, err := stream.CloseAndRecv()
	if err != nil {
		return err
	}
	return a.showImport(ctx, response, files)
}

// sendFiles sends the files that were given, piece by piece. A stream that the
// server ended is no error here: its answer says why.
func (a *app) sendFiles(stream grpc.ClientStreamingClient[stockv1.ImportStockRequest, stockv1.ImportStockResponse],
	next *stockv1.ImportStockRequest, files []stockFile) error {
	for _, file := range files {
		if file.path == "" {
			continue
		}
		source, err := a.open("--"+file.flag, file.path)
		if err != nil {
			return err
		}
		err = pieces(source, func(piece []byte) error {
			next.File, next.Data = file.kind, piece
			err := stream.Send(next)
			next = &stockv1.ImportStockRequest{}
			return err
		})
		if err := errors.Join(err, source.Close()); err != nil {
			if errors.Is(err, io.EOF) {
				return nil
			}
			return fmt.Errorf("--%s %s: %w", file.flag, file.path, err)
		}
	}
	return nil
}

// pieces hands a file on in pieces; an empty file is one empty piece.
func pieces(source io.Reader, send func(piece []byte) error) error {
	for first := true; ; first = false {
		piece := make([]byte, pieceBytes)
		n, err := io.ReadFull(source, piece)
		last := errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF)
		if err != nil && !last {
			return err
		}
		if n > 0 || first {
			if err := send(piece[:n]); err != nil {
				return err
			}
		}
		if last {
			return nil
		}
	}
}

func (a *app) showImport(ctx context.Context, response *stockv1.ImportStockResponse, files []stockFile) error {
	paths := map[stockv1.StockFile]string{}
	for _, file := range files {
		paths[file.kind] = file.path
	}
	err := a.show(ctx, response, func(s *sheet) {
		for _, problem := range response.GetProblems() {
			column := problem.GetColumn()
			if column != "" {
				column += ": "
			}
			s.line("%s:%d: %s%s", paths[problem.GetFile()], problem.GetLine(), column, problem.GetRule())
		}
		if response.GetProblemCount() == 0 {
			s.line("Imported %d houses, %d benches and %d lots with %d plants.",
				response.GetHouses(), response.GetBenches(), response.GetLots(), response.GetPlants())
		}
	})
	if err != nil || response.GetProblemCount() == 0 {
		return err
	}
	return outcomeError{exitRefused, fmt.Errorf("nothing was imported; rules broken: %d", response.GetProblemCount())}
}

func (a *app) stockExport() *cobra.Command {
	request := &stockv1.ExportStockRequest{}
	cmd := a.command(text{
		use: "export", short: "Write the CSV that import reads",
		long:    "Writes houses, benches or lots as CSV on standard output.",
		example: "  velamen stock export --file lots > lots.csv",
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		stream, err := call(ctx, a, stockv1.NewStockServiceClient, stockv1.StockServiceClient.ExportStock, request)
		if err != nil {
			return err
		}
		for {
			piece, err := stream.Recv()
			if errors.Is(err, io.EOF) {
				return nil
			}
			if err != nil {
				return err
			}
			if _, err := a.Out.Write(piece.GetData()); err != nil {
				return err
			}
		}
	})
	enumFlag(cmd.Flags(), &request.File, "file", "which file")
	return needs(cmd, "file")
}
