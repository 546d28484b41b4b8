using Microsoft.EntityFrameworkCore.Migrations;

#nullable disable

namespace Titration.Storage.Migrations.Sqlite
{
    /// <inheritdoc />
    public partial class Modes : Migration
    {
        /// <inheritdoc />
        protected override void Up(MigrationBuilder migrationBuilder)
        {
            migrationBuilder.CreateTable(
                name: "mode_change",
                columns: table => new
                {
                    id = table.Column<long>(type: "INTEGER", nullable: false)
                        .Annotation("Sqlite:Autoincrement", true),
                    mode = table.Column<string>(type: "TEXT", nullable: false),
                    at = table.Column<long>(type: "INTEGER", nullable: false),
                    by = table.Column<string>(type: "TEXT", nullable: false),
                    reason = table.Column<string>(type: "TEXT", nullable: true)
                },
                constraints: table =>
                {
                    table.PrimaryKey("PK_mode_change", x => x.id);
                });

            migrationBuilder.CreateIndex(
                name: "IX_outbox_sent_at",
                table: "outbox",
                column: "sent_at",
                filter: "action = 'issue' AND kind = 'step-change' AND paced");
        }

        /// <inheritdoc />
        protected override void Down(MigrationBuilder migrationBuilder)
        {
            migrationBuilder.DropTable(
                name: "mode_change");

            migrationBuilder.DropIndex(
                name: "IX_outbox_sent_at",
                table: "outbox");
        }
    }
}
