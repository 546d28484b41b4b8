using Microsoft.EntityFrameworkCore.Migrations;

#nullable disable

namespace Titration.Storage.Migrations.Postgres
{
    /// <inheritdoc />
    public partial class Looks : Migration
    {
        /// <inheritdoc />
        protected override void Up(MigrationBuilder migrationBuilder)
        {
            migrationBuilder.DropIndex(
                name: "IX_outbox_rank_id",
                table: "outbox");

            migrationBuilder.CreateIndex(
                name: "IX_outbox_rank_id",
                table: "outbox",
                columns: new[] { "rank", "id" },
                filter: "state IN ('pending', 'leased', 'dead')");

            migrationBuilder.CreateIndex(
                name: "IX_course_outcome_step",
                table: "course",
                columns: new[] { "outcome", "step" });
        }

        /// <inheritdoc />
        protected override void Down(MigrationBuilder migrationBuilder)
        {
            migrationBuilder.DropIndex(
                name: "IX_outbox_rank_id",
                table: "outbox");

            migrationBuilder.DropIndex(
                name: "IX_course_outcome_step",
                table: "course");

            migrationBuilder.CreateIndex(
                name: "IX_outbox_rank_id",
                table: "outbox",
                columns: new[] { "rank", "id" },
                filter: "state IN ('pending', 'leased')");
        }
    }
}
