using System;
using Microsoft.EntityFrameworkCore.Migrations;

#nullable disable

namespace Titration.Storage.Migrations.Sqlite
{
    /// <inheritdoc />
    public partial class FollowUp : Migration
    {
        /// <inheritdoc />
        protected override void Up(MigrationBuilder migrationBuilder)
        {
            migrationBuilder.AddColumn<bool>(
                name: "paced",
                table: "outbox",
                type: "INTEGER",
                nullable: false,
                defaultValue: false);

            migrationBuilder.AddColumn<string>(
                name: "reason",
                table: "outbox",
                type: "TEXT",
                nullable: true);

            migrationBuilder.AddColumn<long>(
                name: "overdue_since",
                table: "communication",
                type: "INTEGER",
                nullable: true);

            migrationBuilder.AddColumn<Guid>(
                name: "replaces",
                table: "communication",
                type: "TEXT",
                nullable: true);

            migrationBuilder.CreateTable(
                name: "digest",
                columns: table => new
                {
                    date = table.Column<DateOnly>(type: "TEXT", nullable: false),
                    server_id = table.Column<string>(type: "TEXT", nullable: false),
                    is_open = table.Column<bool>(type: "INTEGER", nullable: false)
                },
                constraints: table =>
                {
                    table.PrimaryKey("PK_digest", x => x.date);
                });

            migrationBuilder.CreateIndex(
                name: "IX_outbox_patient_sent_at",
                table: "outbox",
                columns: new[] { "patient", "sent_at" },
                filter: "paced");

            migrationBuilder.CreateIndex(
                name: "IX_communication_overdue_since",
                table: "communication",
                column: "overdue_since",
                filter: "overdue_since IS NOT NULL");
        }

        /// <inheritdoc />
        protected override void Down(MigrationBuilder migrationBuilder)
        {
            migrationBuilder.DropTable(
                name: "digest");

            migrationBuilder.DropIndex(
                name: "IX_outbox_patient_sent_at",
                table: "outbox");

            migrationBuilder.DropIndex(
                name: "IX_communication_overdue_since",
                table: "communication");

            migrationBuilder.DropColumn(
                name: "paced",
                table: "outbox");

            migrationBuilder.DropColumn(
                name: "reason",
                table: "outbox");

            migrationBuilder.DropColumn(
                name: "overdue_since",
                table: "communication");

            migrationBuilder.DropColumn(
                name: "replaces",
                table: "communication");
        }
    }
}
