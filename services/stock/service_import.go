package stock

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"io"
	"strconv"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"google.golang.org/grpc"

	stockv1 "velamen/gen/velamen/stock/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/rpc"
)

// maxImport is how many bytes the files of one import may have together: they are
// read into memory, because a row may refer to any other.
const maxImport = 64 << 20

// ImportStock reads CSV files of houses, benches and lots, all or nothing. Broken
// rules are an answer, not an error: nothing is stored then but the answer.
func (s *Service) ImportStock(stream grpc.ClientStreamingServer[stockv1.ImportStockRequest, stockv1.ImportStockResponse]) error {
	ctx := stream.Context()
	arrived, err := receive(ctx, stream)
	if err != nil {
		return err
	}
	files := arrived.read()
	response, err := rpc.OnceContent(ctx, s.db, arrived.requestID, arrived.content(),
		func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*stockv1.ImportStockResponse, error) {
			return s.importFiles(ctx, tx, arrived.nursery, caller.Person, files)
		})
	if err != nil {
		return err
	}
	return stream.SendAndClose(response)
}

func (s *Service) importFiles(ctx context.Context, tx pgx.Tx, nursery, person string, files tables) (*stockv1.ImportStockResponse, error) {
	standing, err := readStand(ctx, tx, nursery, files.lotIDs())
	if err != nil {
		return nil, err
	}
	add, problems := judge(files, standing)
	if problems.count > 0 {
		return &stockv1.ImportStockResponse{Problems: problems.kept, ProblemCount: problems.count}, nil
	}
	err = copyIntake(ctx, tx, nursery, person, s.db.Now(), add, standing)
	if postgres.Violates(err, "house_pk") || postgres.Violates(err, "bench_pk") || postgres.Violates(err, "lot_pk") {
		return nil, fault.New(fault.Aborted, fault.AlreadyExists,
			"somebody added a house, bench or lot of the files while they were imported; try again to see which").Because(err)
	}
	if err != nil {
		return nil, err
	}
	return &stockv1.ImportStockResponse{
		Houses: int64(len(add.houses)), Benches: int64(len(add.benches)), Lots: int64(len(add.lots)), Plants: add.plants,
	}, nil
}

// arrival is the files of an import as they came.
type arrival struct {
	nursery   string
	requestID string
	// last is the file of the message before; files come one after the other.
	last stockv1.StockFile
	// data holds the bytes of each file that came.
	data map[stockv1.StockFile][]byte
	size int
}

func receive(ctx context.Context, stream grpc.ClientStreamingServer[stockv1.ImportStockRequest, stockv1.ImportStockResponse]) (*arrival, error) {
	a := &arrival{data: map[stockv1.StockFile][]byte{}}
	for first := true; ; first = false {
		piece, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			if first {
				return nil, fault.Field("parent", "the first message must name the nursery")
			}
			return a, nil
		}
		if err != nil {
			return nil, err
		}
		if first {
			err = a.begin(ctx, piece)
		} else {
			err = a.goesOn(piece)
		}
		if err != nil {
			return nil, err
		}
		if err := a.take(piece); err != nil {
			return nil, err
		}
	}
}

func (a *arrival) begin(ctx context.Context, piece *stockv1.ImportStockRequest) error {
	nursery, _, err := within(ctx, "parent", piece.GetParent())
	if err != nil {
		return err
	}
	id, err := uuid.Parse(piece.GetRequestId())
	if err != nil {
		return fault.Field("request_id", "must be a UUID")
	}
	a.nursery, a.requestID = nursery, id.String()
	return nil
}

func (a *arrival) goesOn(piece *stockv1.ImportStockRequest) error {
	if piece.GetParent() != "" {
		return fault.Field("parent", "belongs into the first message only")
	}
	if piece.GetRequestId() != "" {
		return fault.Field("request_id", "belongs into the first message only")
	}
	return nil
}

func (a *arrival) take(piece *stockv1.ImportStockRequest) error {
	if piece.GetFile() < a.last {
		return fault.Field("file", "the files must come in the order houses, benches, lots").With("file", piece.GetFile().String())
	}
	a.last = piece.GetFile()
	a.size += len(piece.GetData())
	if a.size > maxImport {
		return fault.Field("data", "the files have more than %d bytes together; import them in parts", maxImport).
			With("most", strconv.Itoa(maxImport))
	}
	a.data[a.last] = append(a.data[a.last], piece.GetData()...)
	return nil
}

// content is the hash of the nursery and the files, however they were cut into
// pieces, so that a retry may cut them differently.
func (a *arrival) content() [sha256.Size]byte {
	hash := sha256.New()
	_, _ = io.WriteString(hash, a.nursery) // a hash takes every write
	for _, file := range importOrder {
		data, given := a.data[file]
		if !given {
			continue
		}
		head := binary.BigEndian.AppendUint64([]byte{byte(file)}, uint64(len(data)))
		_, _ = hash.Write(head)
		_, _ = hash.Write(data)
	}
	return [sha256.Size]byte(hash.Sum(nil))
}

// importOrder is the order of the files in an import.
var importOrder = []stockv1.StockFile{
	stockv1.StockFile_STOCK_FILE_HOUSES, stockv1.StockFile_STOCK_FILE_BENCHES, stockv1.StockFile_STOCK_FILE_LOTS,
}

func (a *arrival) read() tables {
	table := func(file stockv1.StockFile) (read table) {
		if data, given := a.data[file]; given {
			return readTable(file, data)
		}
		return read
	}
	return tables{houses: table(importOrder[0]), benches: table(importOrder[1]), lots: table(importOrder[2])}
}
