using System.Text;
using Microsoft.EntityFrameworkCore;
using Microsoft.EntityFrameworkCore.Metadata;
using Titration.Storage.Model;

namespace Titration.Storage;

/// <summary>Tables, keys and indexes: the same in both databases.</summary>
internal static class TitrationModel
{
    // The claim and the gauges read only what has not left, however much has.
    private const string Unsettled = "state IN ('pending', 'leased', 'dead')";

    public static void Configure(ModelBuilder model)
    {
        ConfigurePatient(model);
        ConfigureLedger(model);
        ConfigureDelivery(model);
        ConfigureIntake(model);
        NameInSnakeCase(model);
    }

    private static void ConfigurePatient(ModelBuilder model)
    {
        model.Entity<PatientRow>(patient =>
        {
            patient.ToTable("patient").HasKey(p => p.Id);
            patient.Property(p => p.Version).IsConcurrencyToken();
            patient.HasIndex(p => p.ChainId).IsUnique();
            patient.HasIndex(p => p.NextLook).HasFilter("next_look IS NOT NULL");
        });
        model.Entity<ErasedPatientRow>().ToTable("erased_patient").HasKey(p => p.Mark);
        model.Entity<FactRow>(fact =>
        {
            fact.ToTable("fact").HasKey(f => new { f.Patient, f.Sequence });
            fact.HasIndex(f => new { f.ResourceType, f.ResourceId, f.VersionId, f.ContentHash, f.Patient }).IsUnique();
            fact.HasOne<PatientRow>().WithMany().HasForeignKey(f => f.Patient).OnDelete(DeleteBehavior.Restrict);
        });
        model.Entity<CourseRow>(course =>
        {
            course.ToTable("course").HasKey(c => c.Id);
            course.Property(c => c.Id).ValueGeneratedNever();
            course.HasIndex(c => c.Patient);
            // The gauge counts them without reading their evaluations.
            course.HasIndex(c => new { c.Outcome, c.Step });
            course.HasOne<PatientRow>().WithMany().HasForeignKey(c => c.Patient).OnDelete(DeleteBehavior.Restrict);
        });
    }

    private static void ConfigureLedger(ModelBuilder model)
    {
        model.Entity<ChainRow>(chain =>
        {
            chain.ToTable("chain").HasKey(c => c.Id);
            chain.Property(c => c.Id).ValueGeneratedNever();
            chain.Property(c => c.Length).IsConcurrencyToken();
        });
        model.Entity<DecisionRow>(decision =>
        {
            decision.ToTable("decision").HasKey(d => new { d.ChainId, d.Sequence });
            // The newest of the clinic, whoever they are about.
            decision.HasIndex(d => d.DecidedAt);
            decision.HasOne<ChainRow>().WithMany().HasForeignKey(d => d.ChainId).OnDelete(DeleteBehavior.Restrict);
        });
        model.Entity<DecisionContentRow>(content =>
        {
            content.ToTable("decision_content").HasKey(c => c.DecisionId);
            content.Property(c => c.DecisionId).ValueGeneratedNever();
            content.HasIndex(c => new { c.ChainId, c.Sequence }).IsUnique();
            content.HasIndex(c => new { c.Patient, c.Sequence });
            content.HasOne<DecisionRow>().WithMany().HasForeignKey(c => new { c.ChainId, c.Sequence }).OnDelete(DeleteBehavior.Restrict);
        });
        model.Entity<PolicyRow>().ToTable("policy").HasKey(p => p.Hash);
        model.Entity<PolicyAdoptionRow>(adoption =>
        {
            adoption.ToTable("policy_adoption").HasKey(a => a.Id);
            adoption.HasIndex(a => a.EffectiveFrom);
            adoption.HasOne<PolicyRow>().WithMany().HasForeignKey(a => a.PolicyHash).OnDelete(DeleteBehavior.Restrict);
        });
        model.Entity<CheckpointRow>(checkpoint =>
        {
            checkpoint.ToTable("checkpoint").HasKey(c => c.Id);
            checkpoint.Property(c => c.Id).ValueGeneratedNever();
        });
        model.Entity<CheckpointHeadRow>(head =>
        {
            head.ToTable("checkpoint_head").HasKey(h => new { h.ChainId, h.CheckpointId });
            head.HasIndex(h => h.CheckpointId);
            head.HasOne<CheckpointRow>().WithMany().HasForeignKey(h => h.CheckpointId).OnDelete(DeleteBehavior.Restrict);
        });
    }

    private static void ConfigureDelivery(ModelBuilder model)
    {
        model.Entity<CommunicationRow>(communication =>
        {
            communication.ToTable("communication").HasKey(c => c.Key);
            communication.Property(c => c.Key).ValueGeneratedNever();
            communication.HasIndex(c => c.Patient);
            communication.HasIndex(c => c.OverdueSince).HasFilter("overdue_since IS NOT NULL");
            communication.HasOne<PatientRow>().WithMany().HasForeignKey(c => c.Patient).OnDelete(DeleteBehavior.Restrict);
        });
        model.Entity<SentResourceRow>(sent =>
        {
            sent.ToTable("sent_resource").HasKey(s => new { s.CommunicationKey, s.Role });
            sent.HasIndex(s => new { s.ResourceType, s.ServerId });
            sent.HasOne<CommunicationRow>().WithMany().HasForeignKey(s => s.CommunicationKey).OnDelete(DeleteBehavior.Restrict);
        });
        model.Entity<OutboxRow>(entry =>
        {
            entry.ToTable("outbox").HasKey(o => o.Id);
            entry.HasIndex(o => new { o.Patient, o.Sequence }).IsUnique();
            entry.HasIndex(o => new { o.CommunicationKey, o.Sequence });
            entry.HasIndex(o => new { o.Rank, o.Id }).HasFilter(Unsettled);
            // How many messages a patient got today.
            entry.HasIndex(o => new { o.Patient, o.SentAt }).HasFilter("paced");
            // How many proposals left today.
            entry.HasIndex(o => o.SentAt).HasFilter("action = 'issue' AND kind = 'step-change' AND paced");
            entry.HasOne<CommunicationRow>().WithMany().HasForeignKey(o => o.CommunicationKey).OnDelete(DeleteBehavior.Restrict);
        });
        model.Entity<ModeChangeRow>().ToTable("mode_change").HasKey(m => m.Id);
        model.Entity<DigestRow>().ToTable("digest").HasKey(d => d.Date);
    }

    private static void ConfigureIntake(ModelBuilder model)
    {
        model.Entity<QuarantineRow>(message =>
        {
            message.ToTable("quarantine").HasKey(m => m.Id);
            message.HasIndex(m => m.ContentHash).IsUnique();
            message.HasIndex(m => m.Patient).HasFilter("patient IS NOT NULL");
        });
        model.Entity<WaitingRow>(resource =>
        {
            resource.ToTable("waiting").HasKey(w => w.Id);
            resource.HasIndex(w => w.ContentHash).IsUnique();
            resource.HasIndex(w => w.NotBefore).HasFilter("not_before IS NOT NULL");
            resource.HasIndex(w => w.Patient).HasFilter("patient IS NOT NULL");
        });
        model.Entity<ReadPositionRow>().ToTable("read_position").HasKey(p => new { p.Purpose, p.ResourceType });
        model.Entity<StagedResourceRow>(resource =>
        {
            resource.ToTable("staged_resource").HasKey(s => new { s.ResourceType, s.ResourceId, s.VersionId });
            resource.HasIndex(s => s.Patient);
        });
        model.Entity<UnmappedCodeRow>().ToTable("unmapped_code").HasKey(c => new { c.System, c.Code });
    }

    private static void NameInSnakeCase(ModelBuilder model)
    {
        foreach (IMutableProperty property in model.Model.GetEntityTypes().SelectMany(type => type.GetProperties()))
        {
            property.SetColumnName(SnakeCase(property.Name));
        }
    }

    private static string SnakeCase(string name)
    {
        StringBuilder column = new();
        foreach (char letter in name)
        {
            if (char.IsAsciiLetterUpper(letter) && column.Length > 0)
            {
                column.Append('_');
            }

            column.Append(char.ToLowerInvariant(letter));
        }

        return column.ToString();
    }
}
