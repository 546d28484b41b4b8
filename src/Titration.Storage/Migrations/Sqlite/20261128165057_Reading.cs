using Microsoft.EntityFrameworkCore.Migrations;

#nullable disable

namespace Titration.Storage.Migrations.Sqlite
{
    /// <inheritdoc />
    public partial class Reading : Migration
    {
        /// <inheritdoc />
        protected override void Up(MigrationBuilder migrationBuilder)
        {
            migrationBuilder.CreateTable(
                name: "read_position",
                columns: table => new
                {
                    purpose = table.Column<string>(type: "TEXT", nullable: false),
                    resource_type = table.Column<string>(type: "TEXT", nullable: false),
                    until = table.Column<long>(type: "INTEGER", nullable: false)
                },
                constraints: table =>
                {
                    table.PrimaryKey("PK_read_position", x => new { x.purpose, x.resource_type });
                });

            migrationBuilder.CreateTable(
                name: "staged_resource",
                columns: table => new
                {
                    resource_type = table.Column<string>(type: "TEXT", nullable: false),
                    resource_id = table.Column<string>(type: "TEXT", nullable: false),
                    version_id = table.Column<string>(type: "TEXT", nullable: false),
                    patient = table.Column<string>(type: "TEXT", nullable: false),
                    content = table.Column<byte[]>(type: "BLOB", nullable: false),
                    medication = table.Column<byte[]>(type: "BLOB", nullable: true)
                },
                constraints: table =>
                {
                    table.PrimaryKey("PK_staged_resource", x => new { x.resource_type, x.resource_id, x.version_id });
                });

            migrationBuilder.CreateIndex(
                name: "IX_staged_resource_patient",
                table: "staged_resource",
                column: "patient");
        }

        /// <inheritdoc />
        protected override void Down(MigrationBuilder migrationBuilder)
        {
            migrationBuilder.DropTable(
                name: "read_position");

            migrationBuilder.DropTable(
                name: "staged_resource");
        }
    }
}
