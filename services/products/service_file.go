package products

import (
	"context"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/internal/rpc"
)

// Media types of files.
const (
	mediaCSV  = "text/csv"
	mediaJSON = "application/json"
)

// ExportProducts returns all products with their labels as a file.
func (s *Service) ExportProducts(ctx context.Context, request *productsv1.ExportProductsRequest) (*productsv1.ExportProductsResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	products, err := ReadProducts(ctx, s.db, ids[0])
	if err != nil {
		return nil, err
	}
	response := &productsv1.ExportProductsResponse{MediaType: mediaCSV}
	write := writeCSV
	if request.GetFormat() == productsv1.ProductFileFormat_PRODUCT_FILE_FORMAT_JSON {
		response.MediaType, write = mediaJSON, writeJSON
	}
	response.Data, err = write(products)
	return response, err
}

// ImportProducts reads a file that ExportProducts writes: all of it or nothing. A
// product that the file does not hold stays as it is.
func (s *Service) ImportProducts(ctx context.Context, request *productsv1.ImportProductsRequest) (*productsv1.ImportProductsResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	if !utf8.Valid(request.GetData()) {
		return nil, fault.FieldReason(fault.Invalid, fault.ImportRejected, "data", "must be UTF-8")
	}
	problems := &rejection{}
	read := readFile(request.GetFormat(), request.GetData(), problems)
	var absent []string
	if request.GetFormat() == productsv1.ProductFileFormat_PRODUCT_FILE_FORMAT_CSV {
		absent = absentColumns(request.GetData())
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, _ rpc.Principal) (*productsv1.ImportProductsResponse, error) {
		if err := lockNames(ctx, tx, ids[0]); err != nil {
			return nil, err
		}
		known, err := readNames(ctx, tx, ids[0])
		if err != nil {
			return nil, err
		}
		products := judgeFile(read, known, problems)
		if err := problems.fault(); err != nil {
			return nil, err
		}
		standing, err := lockProducts(ctx, tx, ids[0])
		if err != nil {
			return nil, err
		}
		for _, product := range products {
			takesAway(standing[product.ID], absent, problems)
		}
		if err := problems.fault(); err != nil {
			return nil, err
		}
		return s.importProducts(ctx, tx, ids[0], standing, products, request.GetValidateOnly())
	})
}

func readFile(format productsv1.ProductFileFormat, data []byte, problems *rejection) []fileProduct {
	if format == productsv1.ProductFileFormat_PRODUCT_FILE_FORMAT_JSON {
		return readJSON(data, problems)
	}
	return readCSV(data, problems)
}

// importProducts makes the products of a nursery, which are locked, those of a
// file. It only counts what it would do when dry is true.
func (s *Service) importProducts(ctx context.Context, tx pgx.Tx, nursery string, standing map[string]Product, products []Product, dry bool) (*productsv1.ImportProductsResponse, error) {
	response := &productsv1.ImportProductsResponse{}
	for _, product := range products {
		before, exists := standing[product.ID]
		write := updateProduct
		switch {
		case !exists:
			response.Created++
			write = func(ctx context.Context, tx pgx.Tx, nursery string, product Product) error {
				return insertProduct(ctx, tx, nursery, product, s.db.Now())
			}
		case proto.Equal(before.contract(nursery), product.contract(nursery)):
			response.Unchanged++
			continue
		default:
			response.Updated++
			if err := checkForm(ctx, tx, nursery, product); err != nil {
				return nil, ofProduct(product.ID, err)
			}
		}
		if dry {
			continue
		}
		if err := write(ctx, tx, nursery, product); err != nil {
			return nil, err
		}
	}
	return response, nil
}

// ofProduct says of which product of a file a fault is.
func ofProduct(id string, err error) error {
	f, ok := fault.As(err)
	if !ok {
		return err
	}
	return fault.Rejected([]fault.Violation{{Field: id + "." + f.Field, Rule: f.Message}},
		"%s: %s; nothing was imported", id, f.Message).With("product", id)
}
