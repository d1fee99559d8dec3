package stock

import (
	"bytes"
	"context"
	"encoding/csv"

	"google.golang.org/grpc"

	stockv1 "velamen/gen/velamen/stock/v1"
)

const (
	// exportPiece is the most bytes of one message of an export.
	exportPiece = 256 << 10
	// exportPage is how many rows an export reads at once. Pages are read one by
	// one and not in one transaction, which a slow reader would keep open: every
	// row is whole, and nothing is ever removed, but rows that change meanwhile
	// may be as they were before or after.
	exportPage = 2000
)

// ExportStock writes the CSV that ImportStock reads. Lots without plants are left
// out, because no import could bring them back.
func (s *Service) ExportStock(request *stockv1.ExportStockRequest, stream grpc.ServerStreamingServer[stockv1.ExportStockResponse]) error {
	ctx := stream.Context()
	nursery, _, err := within(ctx, "parent", request.GetParent())
	if err != nil {
		return err
	}
	out := newCSVStream(stream)
	if err := out.write(headerOf(request.GetFile())); err != nil {
		return err
	}
	switch request.GetFile() {
	case stockv1.StockFile_STOCK_FILE_HOUSES:
		err = export(out, func(last House) ([]House, error) { return listHouses(ctx, s.db, nursery, last.ID, exportPage) })
	case stockv1.StockFile_STOCK_FILE_BENCHES:
		err = export(out, func(last Bench) ([]Bench, error) {
			return listBenches(ctx, s.db, nursery, "", place{house: last.House, bench: last.ID}, exportPage)
		})
	default:
		err = export(out, func(last Lot) ([]Lot, error) { return s.lotsToExport(ctx, nursery, last.ID) })
	}
	if err != nil {
		return err
	}
	return out.flush()
}

func (s *Service) lotsToExport(ctx context.Context, nursery, after string) ([]Lot, error) {
	return listLots(ctx, s.db, nursery, lotFilter{}, after, exportPage)
}

// export writes page after page; next returns the rows after one, the zero value
// being before the first.
func export[T interface{ cells() []string }](out *csvStream, next func(last T) ([]T, error)) error {
	var last T
	for {
		rows, err := next(last)
		if err != nil {
			return err
		}
		for _, row := range rows {
			if err := out.write(row.cells()); err != nil {
				return err
			}
		}
		if len(rows) < exportPage {
			return nil
		}
		last = rows[len(rows)-1]
	}
}

// csvStream writes CSV lines into messages of at most exportPiece bytes.
type csvStream struct {
	stream  grpc.ServerStreamingServer[stockv1.ExportStockResponse]
	pending bytes.Buffer
	writer  *csv.Writer
}

func newCSVStream(stream grpc.ServerStreamingServer[stockv1.ExportStockResponse]) *csvStream {
	out := &csvStream{stream: stream}
	out.writer = csv.NewWriter(&out.pending)
	// RFC 4180 ends lines with CRLF.
	out.writer.UseCRLF = true
	return out
}

func (c *csvStream) write(cells []string) error {
	if err := c.writer.Write(cells); err != nil {
		return err
	}
	c.writer.Flush()
	for c.pending.Len() >= exportPiece {
		if err := c.send(exportPiece); err != nil {
			return err
		}
	}
	return c.writer.Error()
}

// flush sends what is left.
func (c *csvStream) flush() error {
	if c.pending.Len() == 0 {
		return nil
	}
	return c.send(c.pending.Len())
}

func (c *csvStream) send(size int) error {
	return c.stream.Send(&stockv1.ExportStockResponse{Data: bytes.Clone(c.pending.Next(size))})
}
