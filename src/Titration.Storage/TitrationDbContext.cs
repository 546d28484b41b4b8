using Microsoft.EntityFrameworkCore;
using Microsoft.EntityFrameworkCore.ChangeTracking;
using Microsoft.EntityFrameworkCore.Storage;
using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Storage.Model;

namespace Titration.Storage;

/// <summary>
/// The database. It is the repository: queries with a name are extension methods on it. The two contexts below it differ in how an
/// instant is stored and in how rows are locked and claimed, and in nothing else.
/// </summary>
public abstract class TitrationDbContext : DbContext
{
    private protected TitrationDbContext(DbContextOptions options) : base(options)
    {
    }

    public DbSet<PatientRow> Patients => Set<PatientRow>();

    public DbSet<ErasedPatientRow> ErasedPatients => Set<ErasedPatientRow>();

    public DbSet<FactRow> Facts => Set<FactRow>();

    public DbSet<CourseRow> Courses => Set<CourseRow>();

    public DbSet<ChainRow> Chains => Set<ChainRow>();

    public DbSet<DecisionRow> Decisions => Set<DecisionRow>();

    public DbSet<DecisionContentRow> DecisionContents => Set<DecisionContentRow>();

    public DbSet<CommunicationRow> Communications => Set<CommunicationRow>();

    public DbSet<SentResourceRow> SentResources => Set<SentResourceRow>();

    public DbSet<OutboxRow> Outbox => Set<OutboxRow>();

    public DbSet<QuarantineRow> Quarantine => Set<QuarantineRow>();

    public DbSet<WaitingRow> Waiting => Set<WaitingRow>();

    public DbSet<ReadPositionRow> ReadPositions => Set<ReadPositionRow>();

    public DbSet<StagedResourceRow> StagedResources => Set<StagedResourceRow>();

    public DbSet<ModeChangeRow> ModeChanges => Set<ModeChangeRow>();

    public DbSet<DigestRow> Digests => Set<DigestRow>();

    public DbSet<UnmappedCodeRow> UnmappedCodes => Set<UnmappedCodeRow>();

    public DbSet<PolicyRow> Policies => Set<PolicyRow>();

    public DbSet<PolicyAdoptionRow> PolicyAdoptions => Set<PolicyAdoptionRow>();

    public DbSet<CheckpointRow> Checkpoints => Set<CheckpointRow>();

    public DbSet<CheckpointHeadRow> CheckpointHeads => Set<CheckpointHeadRow>();

    /// <summary>Adds the rows of patients that are new; the ids come in key order.</summary>
    internal abstract Task AddMissingPatientsAsync(string[] patients, CancellationToken cancellationToken);

    /// <summary>The patients' rows, locked in key order where the database locks rows.</summary>
    internal abstract IQueryable<PatientRow> LockPatients(string[] patients);

    /// <summary>Leases patients whose next look has come and returns their ids.</summary>
    internal abstract IQueryable<string> ClaimDuePatients(DateTimeOffset now, TimeSpan lease, int limit);

    /// <summary>Leases the next entries of the outbox and returns them, in no particular order.</summary>
    internal abstract IQueryable<OutboxRow> ClaimOutboxEntries(bool onlySafety, DateTimeOffset now, TimeSpan lease, int limit);

    /// <summary>Prolongs the lease of an entry, where it is still the holder's.</summary>
    internal abstract Task<int> ProlongAsync(OutboxRow entry, DateTimeOffset now, TimeSpan lease, CancellationToken cancellationToken);

    /// <summary>A transaction that sees the database as it is now until it ends, and holds nobody up.</summary>
    public abstract Task<IDbContextTransaction> BeginSnapshotAsync(CancellationToken cancellationToken);

    /// <summary>Until the transaction ends no patient is erased; waits for an erasure that has begun.</summary>
    internal abstract Task HoldOffErasuresAsync(CancellationToken cancellationToken);

    /// <summary>Until the transaction ends no other worker lets a proposal leave.</summary>
    internal abstract Task HoldOffProposalsAsync(CancellationToken cancellationToken);

    /// <summary>Waits for every transaction that holds erasures off; until this one ends, those that come later wait for it.</summary>
    internal abstract Task BeginErasureAsync(CancellationToken cancellationToken);

    /// <summary>Gives an entry back for a while, where it is still the holder's.</summary>
    internal abstract Task<int> GiveBackEntryAsync(OutboxRow entry, DateTimeOffset now, TimeSpan wait, string problem, CancellationToken cancellationToken);

    /// <summary>The instant as a parameter of a statement that is written by hand.</summary>
    internal abstract object Stored(DateTimeOffset instant);

    /// <inheritdoc/>
    public override int SaveChanges(bool acceptAllChangesOnSuccess)
    {
        PrepareToSave();
        return base.SaveChanges(acceptAllChangesOnSuccess);
    }

    /// <inheritdoc/>
    public override Task<int> SaveChangesAsync(bool acceptAllChangesOnSuccess, CancellationToken cancellationToken = default)
    {
        PrepareToSave();
        return base.SaveChangesAsync(acceptAllChangesOnSuccess, cancellationToken);
    }

    /// <inheritdoc/>
    protected override void ConfigureConventions(ModelConfigurationBuilder configurationBuilder)
    {
        configurationBuilder.Properties<Outcome>().HaveConversion<CodeConverter<Outcome>>();
        configurationBuilder.Properties<CommunicationKind>().HaveConversion<CodeConverter<CommunicationKind>>();
        configurationBuilder.Properties<CommunicationState>().HaveConversion<CodeConverter<CommunicationState>>();
        configurationBuilder.Properties<OutboxAction>().HaveConversion<CodeConverter<OutboxAction>>();
        configurationBuilder.Properties<WithdrawalReason>().HaveConversion<CodeConverter<WithdrawalReason>>();
        configurationBuilder.Properties<OutboxState>().HaveConversion<CodeConverter<OutboxState>>();
        configurationBuilder.Properties<OperatingMode>().HaveConversion<CodeConverter<OperatingMode>>();
        configurationBuilder.Properties<QuarantineState>().HaveConversion<CodeConverter<QuarantineState>>();
        configurationBuilder.Properties<WaitingReason>().HaveConversion<CodeConverter<WaitingReason>>();
    }

    /// <inheritdoc/>
    protected override void OnModelCreating(ModelBuilder modelBuilder) => TitrationModel.Configure(modelBuilder);

    /// <summary>Raises the version of each patient of whom a row changed.</summary>
    private void PrepareToSave()
    {
        // A transaction that cannot be saved is given up as a whole: nothing returns to the middle of one.
        Database.AutoSavepointsEnabled = false;
        // Changes are looked for here, once for each save, and nowhere else.
        ChangeTracker.AutoDetectChangesEnabled = false;
        ChangeTracker.DetectChanges();
        HashSet<string> changed = [.. ChangeTracker.Entries()
            .Where(entry => entry.State is EntityState.Added or EntityState.Modified or EntityState.Deleted)
            .Select(PatientOf)
            .OfType<string>()];
        LocalView<PatientRow> loaded = Patients.Local;
        foreach (string patient in changed)
        {
            EntityEntry<PatientRow> row = loaded.FindEntry(patient)
                ?? throw new InvalidOperationException("Rows of a patient are saved only together with the patient's own row: load the patient first.");
            PropertyEntry<PatientRow, long> version = row.Property(p => p.Version);
            version.CurrentValue = version.OriginalValue + 1;
        }
    }

    private static string? PatientOf(EntityEntry entry) => entry.Entity switch
    {
        PatientRow row => row.Id,
        FactRow row => row.Patient,
        CourseRow row => row.Patient,
        CommunicationRow row => row.Patient,
        OutboxRow row => row.Patient,
        DecisionContentRow { Patient.Length: > 0 } row => row.Patient,
        _ => null,
    };
}
