using System;
using Microsoft.EntityFrameworkCore.Migrations;
using Npgsql.EntityFrameworkCore.PostgreSQL.Metadata;

#nullable disable

namespace Titration.Storage.Migrations.Postgres
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
                    id = table.Column<long>(type: "bigint", nullable: false)
                        .Annotation("Npgsql:ValueGenerationStrategy", NpgsqlValueGenerationStrategy.IdentityByDefaultColumn),
                    mode = table.Column<string>(type: "text", nullable: false),
                    at = table.Column<DateTimeOffset>(type: "timestamp with time zone", nullable: false),
                    by = table.Column<string>(type: "text", nullable: false, collation: "C"),
                    reason = table.Column<string>(type: "text", nullable: true, collation: "C")
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
