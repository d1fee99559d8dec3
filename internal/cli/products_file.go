package cli

import (
	"context"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	productsv1 "velamen/gen/velamen/products/v1"
)

func (a *app) productExport() *cobra.Command {
	request := &productsv1.ExportProductsRequest{Format: productsv1.ProductFileFormat_PRODUCT_FILE_FORMAT_CSV}
	cmd := a.command(text{
		use: "export", short: "Write all products with their labels as a file",
		long: `Writes all products with their labels on standard output, as CSV with one row for
each label direction (docs/products-csv.md) or as JSON (docs/products.schema.json),
for import to read. --json is --format json. ` + Caution,
		example: "  velamen products export > products.csv\n  velamen products export --format json > products.json",
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if a.flags.json {
			request.Format = productsv1.ProductFileFormat_PRODUCT_FILE_FORMAT_JSON
		}
		file, err := call(ctx, a, productsv1.NewProductsServiceClient, productsv1.ProductsServiceClient.ExportProducts, request)
		if err != nil {
			return err
		}
		_, err = a.Out.Write(file.GetData())
		return err
	})
	enumFlag(cmd.Flags(), &request.Format, "format", "how it is written, csv when not given")
	return cmd
}

func (a *app) productImport() *cobra.Command {
	request := &productsv1.ImportProductsRequest{}
	cmd := a.command(text{
		use: "import FILE", short: "Read products with their labels from a file, all or nothing",
		long: `Reads a file that velamen products export writes ("-": standard input). A product
that exists becomes what the file says; one that is not in the file stays as it is.
A CSV file may leave out only columns in which nothing stands. When any row breaks
a rule nothing is imported, every one is printed with its row and column, and the
exit code is 3. Managers and owners only. ` + Caution,
		example: "  velamen products import products.csv\n  velamen products import products.json --dry-run\n  velamen products import - --format csv",
	}, func(ctx context.Context, args []string) (err error) {
		if request.Data, err = a.readFile("FILE", args[0]); err != nil {
			return err
		}
		if request.GetFormat() == productsv1.ProductFileFormat_PRODUCT_FILE_FORMAT_UNSPECIFIED {
			request.Format = formatOf(args[0])
		}
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		done, err := call(ctx, a, productsv1.NewProductsServiceClient, productsv1.ProductsServiceClient.ImportProducts, request)
		if err != nil {
			return err
		}
		return a.show(ctx, done, func(s *sheet) {
			verb := "Imported"
			if request.GetValidateOnly() {
				verb = "Nothing was imported; it would be"
			}
			s.line("%s: %d new, %d changed, %d as they were.", verb, done.GetCreated(), done.GetUpdated(), done.GetUnchanged())
		})
	})
	enumFlag(cmd.Flags(), &request.Format, "format", "how it is written, by the ending of the name when not given")
	cmd.Flags().BoolVar(&request.ValidateOnly, "dry-run", false, "only say what would happen")
	return cmd
}

// formatOf tells the format of a file by the ending of its name.
func formatOf(file string) productsv1.ProductFileFormat {
	if strings.EqualFold(filepath.Ext(file), ".json") {
		return productsv1.ProductFileFormat_PRODUCT_FILE_FORMAT_JSON
	}
	return productsv1.ProductFileFormat_PRODUCT_FILE_FORMAT_CSV
}
